"""Connections whose statements a stop may interrupt, from any thread."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

import duckdb

_INTERRUPTED: Final = "Query interrupted"
_open: set[duckdb.DuckDBPyConnection] = set()
_lock = threading.Lock()


@contextmanager
def interruptible(
    connection: duckdb.DuckDBPyConnection,
) -> Iterator[duckdb.DuckDBPyConnection]:
    """Register the connection for interruption during the block, then close it.

    It is removed before it closes, so a closing connection is never interrupted.
    """
    with _lock:
        _open.add(connection)
    try:
        yield connection
    finally:
        with _lock:
            _open.discard(connection)
        connection.close()


def is_stop(error: BaseException) -> bool:
    """Whether a statement failed because it was interrupted.

    DuckDB raises an error of its own kind, or a `RuntimeError` where a signal of Python came
    first: which of them is a matter of chance.
    """
    is_signal = isinstance(error, RuntimeError) and str(error) == _INTERRUPTED
    return is_signal or isinstance(error, duckdb.InterruptException)


def interrupt_all() -> None:
    """Interrupt the running statements; later ones are not affected."""
    with _lock:
        for connection in _open:
            connection.interrupt()
