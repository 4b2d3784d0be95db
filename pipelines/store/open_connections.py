"""Connections whose statements a stop may interrupt, from whichever thread it is seen in."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager

import duckdb

_open: set[duckdb.DuckDBPyConnection] = set()
_lock = threading.Lock()


@contextmanager
def interruptible(
    connection: duckdb.DuckDBPyConnection,
) -> Iterator[duckdb.DuckDBPyConnection]:
    """Until the block ends, a stop interrupts the connection's statements; then it is closed.

    It is forgotten before it closes: none that closes is ever interrupted.
    """
    with _lock:
        _open.add(connection)
    try:
        yield connection
    finally:
        with _lock:
            _open.discard(connection)
        connection.close()


def interrupt_all() -> None:
    """End the statements that run now; what comes after them is not touched."""
    with _lock:
        for connection in _open:
            connection.interrupt()
