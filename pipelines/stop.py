"""Ending a sweep by a signal: what runs is interrupted, what is half made is left behind.

A signal that comes while the database works on a statement ends the statement, but what its
handler raised is lost: the database raises a `RuntimeError` of its own. `signals_seen` makes it
a stop again.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Final

_INTERRUPTED: Final = "Query interrupted"


@contextmanager
def stoppable() -> Iterator[None]:
    """SIGTERM ends the block as Ctrl-C does; service managers and shells send it.

    Only the main thread may set it; elsewhere, as in an orchestrator that has its own way to
    stop, nothing changes.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGTERM, _interrupt)
    try:
        with signals_seen():
            yield
    finally:
        signal.signal(signal.SIGTERM, before)


@contextmanager
def signals_seen() -> Iterator[None]:
    """A statement that a signal ended is a `KeyboardInterrupt`, not a failure."""
    try:
        yield
    except RuntimeError as error:
        if str(error) != _INTERRUPTED:
            raise
        raise KeyboardInterrupt from error


def _interrupt(number: int, frame: FrameType | None) -> None:
    raise KeyboardInterrupt
