"""Ending a sweep by a signal: what runs is interrupted, what is half made is left behind.

A signal that comes while the database works on a statement ends the statement, but what its
handler raised is lost: the database raises an error of its own. `signals_seen` makes it a stop
again.

Python runs a signal's handler in the main thread only, and not before the database gives the
thread back: at the end of some statements, such as a large sort, minutes later. So
`statements_ended` lets the kernel wake another thread, which interrupts them.
"""

from __future__ import annotations

import signal
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Final

import duckdb

from pipelines.store.open_connections import interrupt_all

_INTERRUPTED: Final = "Query interrupted"
_STOPS: Final = frozenset({signal.SIGINT, signal.SIGTERM})
_NO_SIGNAL: Final = b"\0"
_AGAIN_S: Final = 0.5


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
    except duckdb.InterruptException as error:
        raise KeyboardInterrupt from error


@contextmanager
def statements_ended() -> Iterator[None]:
    """A signal to stop interrupts statements of the database at once, whoever handles it.

    Nothing is watched outside the main thread, or where somebody else is woken by signals.
    """
    if threading.current_thread() is not threading.main_thread() or _is_woken():
        yield
        return
    ours, kernels = socket.socketpair()
    kernels.setblocking(False)
    ended = threading.Event()
    watch = threading.Thread(target=_watch, args=(ours, ended), name="stop", daemon=True)
    watch.start()
    signal.set_wakeup_fd(kernels.fileno(), warn_on_full_buffer=False)
    try:
        yield
    finally:
        signal.set_wakeup_fd(-1)
        ended.set()
        kernels.send(_NO_SIGNAL)
        watch.join()
        ours.close()
        kernels.close()


def _is_woken() -> bool:
    """Whether somebody, such as an event loop, is woken by signals already."""
    descriptor = signal.set_wakeup_fd(-1)
    if descriptor == -1:
        return False
    signal.set_wakeup_fd(descriptor)
    return True


def _watch(woken_by: socket.socket, ended: threading.Event) -> None:
    """Interrupt until the block has ended: a statement may begin just after the first time."""
    while not ended.is_set():
        if _STOPS.isdisjoint(woken_by.recv(64)):
            continue
        interrupt_all()
        while not ended.wait(_AGAIN_S):
            interrupt_all()


def _interrupt(number: int, frame: FrameType | None) -> None:
    raise KeyboardInterrupt
