"""Processes of a service under test: started on the loopback, ended for certain."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

PROJECT = Path(__file__).resolve().parents[2]
PATIENCE_S = 240
"""A crowded machine takes its time; a test that hangs still ends."""


@contextmanager
def process(
    *words: str | Path, log: Path, **environment: str
) -> Iterator[subprocess.Popen[bytes]]:
    """A process with a group of its own; the whole group is killed at the end."""
    with log.open("ab") as out:
        started = subprocess.Popen(
            [str(w) for w in words], cwd=PROJECT, stdout=out, stderr=subprocess.STDOUT,
            start_new_session=True,
            env={**os.environ, **environment},
        )  # fmt: skip
    try:
        yield started
    finally:
        kill_group(started)
        started.wait(30)


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


def free_port() -> int:
    """A port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
