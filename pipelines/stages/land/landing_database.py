"""The database in memory that files are read with, one after another.

To open one takes 10 ms, as long as a small file's statements of a kind; so small files share
one, each with a connection of its own, whose temporary tables, types and macros end with it.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import duckdb

from pipelines.store.open_connections import interruptible
from pipelines.store.warehouse import LANDING_MEMORY, connect, in_utc

_SMALL_BYTES: Final = 1 << 26
"""A larger file has a database of its own, which gives memory and spilled rows back."""


class LandingDatabase:
    """Opens when a file needs it; one in which a file failed is not used again."""

    def __init__(self, spill: Path) -> None:
        self._spill = spill
        self._shared: duckdb.DuckDBPyConnection | None = None

    @contextmanager
    def connection(self, size_bytes: int) -> Iterator[duckdb.DuckDBPyConnection]:
        """A connection for one file of that size, closed at the end of the block."""
        try:
            with interruptible(self._opened()) as connection:
                yield connection
        except BaseException:
            self.close()
            raise
        if size_bytes > _SMALL_BYTES:
            self.close()

    def close(self) -> None:
        """Close the database, if it is open."""
        if self._shared is not None:
            self._shared.close()
            self._shared = None

    def _opened(self) -> duckdb.DuckDBPyConnection:
        if self._shared is None:
            self._shared = connect(spill=self._spill, usual_memory=LANDING_MEMORY)
        return in_utc(self._shared.cursor())
