"""What a flow's run cannot be told by its parameters: configuration, scheduler, alerts.

Each of the three leads to code: a configuration names a command for alerts and files to write,
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
    """Of every run of one service."""

    config: Path
    scheduler: str | None = None
    notify: str | None = None

    def put(self) -> None:
        """Into the environment of this process, which those that it starts inherit."""
        said = {CONFIG: str(self.config), SCHEDULER: self.scheduler, NOTIFY: self.notify}
        for name, value in said.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def run_bounds() -> RunBounds:
    """Of this process.

    Raises
    ------
    ConfigError
        If its environment names no configuration.
    """
    config = os.environ.get(CONFIG)
    if not config:
        raise ConfigError(
            f"the environment names no configuration: start the worker with {CONFIG} set to "
            "the path of the utility's sweep.yaml"
        )
    scheduler, notify = os.environ.get(SCHEDULER), os.environ.get(NOTIFY)
    return RunBounds(Path(config), scheduler or None, notify or None)
