"""Processes of a service under test: started on the loopback, ended for certain."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

PROJECT = Path(__file__).resolve().parents[3]
PATIENCE_S = 240
"""A crowded machine takes its time; a test that hangs still ends."""
MARK = "RIGHTSIZE_TEST_PROCESS"
"""Whoever descends from a process under test has it in its environment, orphans too."""


class Started(subprocess.Popen[bytes]):
    """A process under test, and a way to find all that descend from it."""

    mark: str

    def descendants(self) -> list[int]:
        """Living processes that it or its children started, in whatever session they are."""
        found = []
        for folder in Path("/proc").glob("[0-9]*"):
            with suppress(OSError):
                if self.mark.encode() in (folder / "environ").read_bytes():
                    found.append(int(folder.name))
        return [pid for pid in found if pid != self.pid]


@contextmanager
def process(*words: str | Path, log: Path, **environment: str) -> Iterator[Started]:
    """A process with a group of its own; killed at the end with all that descend from it."""
    mark = uuid.uuid4().hex
    with log.open("ab") as out:
        started = Started(
            [str(w) for w in words],
            cwd=PROJECT,
            stdout=out,
            stderr=subprocess.STDOUT,
            start_new_session=True,
            env={**os.environ, **environment, MARK: mark},
        )
    started.mark = f"{MARK}={mark}"
    try:
        yield started
    finally:
        kill_group(started)
        started.wait(30)
        while left := started.descendants():  # a run has a session of its own
            for pid in left:
                with suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)
            time.sleep(0.1)


def kill_group(started: subprocess.Popen[bytes]) -> None:
    """kill -9 of a process and all it started."""
    with suppress(ProcessLookupError):
        os.killpg(started.pid, signal.SIGKILL)


def rightsize(*words: str | Path) -> tuple[str | Path, ...]:
    """The command line as a process."""
    return (sys.executable, "-m", "pipelines.cli", *words)


def until(condition: Callable[[], object], what: str, patience_s: float = PATIENCE_S) -> object:
    """Wait for something; the value it came to."""
    end = time.monotonic() + patience_s
    while not (value := condition()):
        assert time.monotonic() < end, f"waited {patience_s} s in vain: {what}"
        time.sleep(0.1)
    return value


def blind_to(folder: Path) -> tuple[str, ...]:
    """A command behind which a folder is empty; skips where the machine does not let us."""
    hide = ("unshare", "-m", "sh", "-c", 'mount -t tmpfs none "$0" && exec "$@"', str(folder))
    folder.mkdir(parents=True, exist_ok=True)
    tried = subprocess.run([*hide, "true"], capture_output=True, check=False)
    if tried.returncode:
        pytest.skip(f"no mount namespace to be had: {tried.stderr.decode().strip()}")
    return hide


def free_port() -> int:
    """A port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
