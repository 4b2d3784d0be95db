"""Connections whose statements a stop may interrupt, from any thread."""

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


def interrupt_all() -> None:
    """Interrupt the running statements; later ones are not affected."""
    with _lock:
        for connection in _open:
            connection.interrupt()
