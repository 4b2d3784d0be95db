"""Stopping a sweep by a signal: running work is interrupted, partial results are kept.

A signal during a database statement ends the statement, but the exception of its handler is
lost: the database raises its own error. `signals_seen` turns it back into a stop.

Python runs signal handlers in the main thread only, and not until the database returns: for
some statements, such as a large sort, minutes later. So `statements_ended` lets the kernel wake
another thread, which interrupts them.
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

from pipelines.store.open_connections import interrupt_all, is_stop

_STOPS: Final = frozenset({signal.SIGINT, signal.SIGTERM})
_NO_SIGNAL: Final = b"\0"
_AGAIN_S: Final = 0.5


@contextmanager
def stoppable() -> Iterator[None]:
    """SIGTERM ends the block as Ctrl-C does; service managers and shells send it.

    Only the main thread can set it; elsewhere, as in an orchestrator with its own way to
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
    """Turn a statement ended by a signal into a `KeyboardInterrupt`, not a failure."""
    try:
        yield
    except (RuntimeError, duckdb.InterruptException) as error:
        if not is_stop(error):
            raise
        raise KeyboardInterrupt from error


@contextmanager
def statements_ended() -> Iterator[None]:
    """Interrupt database statements at once on a stop signal, whoever handles it.

    Does nothing outside the main thread, or if an event loop already uses signal wakeup.
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
    """Whether something, such as an event loop, already uses signal wakeup."""
    descriptor = signal.set_wakeup_fd(-1)
    if descriptor == -1:
        return False
    signal.set_wakeup_fd(descriptor)
    return True


def _watch(woken_by: socket.socket, ended: threading.Event) -> None:
    """Interrupt until the block has ended: a statement may start just after the first time."""
    while not ended.is_set():
        if _STOPS.isdisjoint(woken_by.recv(64)):
            continue
        interrupt_all()
        while not ended.wait(_AGAIN_S):
            interrupt_all()


def _interrupt(number: int, frame: FrameType | None) -> None:
    raise KeyboardInterrupt
