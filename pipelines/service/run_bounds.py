"""What a run's parameters cannot set: configuration, scheduler, alerts.

Each of the three can run code: a configuration names an alert command and files to write,
an alert may be a command, and with a Dask scheduler pickled objects are exchanged. They come
from the environment in which the run's process is started, which is the operator's: `schedule`
sets it for the runs it serves, a worker of a pool is started with it.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from rightsize.errors import ConfigError

CONFIG: Final = "RIGHTSIZE_CONFIG"
SCHEDULER: Final = "RIGHTSIZE_SCHEDULER"
NOTIFY: Final = "RIGHTSIZE_NOTIFY"


@dataclass(frozen=True)
class RunBounds:
    """Settings of every run of one service."""

    config: Path
    scheduler: str | None = None
    notify: str | None = None

    def put(self) -> None:
        """Set the environment of this process, which child processes inherit."""
        said = {CONFIG: str(self.config), SCHEDULER: self.scheduler, NOTIFY: self.notify}
        for name, value in said.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def run_bounds() -> RunBounds:
    """Settings of this process.

    Raises
    ------
    ConfigError
        If its environment has no configuration.
    """
    config = os.environ.get(CONFIG)
    if not config:
        raise ConfigError(
            f"no configuration in the environment: start the worker with {CONFIG} set to "
            "the path of the utility's sweep.yaml"
        )
    scheduler, notify = os.environ.get(SCHEDULER), os.environ.get(NOTIFY)
    return RunBounds(Path(config), scheduler or None, notify or None)
