"""Ending a sweep by a signal: what runs is interrupted, what is half made is left behind."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType


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
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def _interrupt(number: int, frame: FrameType | None) -> None:
    raise KeyboardInterrupt
