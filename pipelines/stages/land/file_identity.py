"""What makes a file the one it is: its content, how it is read, its place among all."""

from __future__ import annotations

import hashlib
import json
from typing import Final

import duckdb

from pipelines.configuration.load_settings import Loaded
from pipelines.stages.land.found_files import FoundFile
from pipelines.stages.land.land_file import read_limits
from pipelines.store import ledger
from pipelines.store.file_stamp import FileStamp, content_hash

_READING_VERSION: Final = 2
"""Raised when the same bytes would land as other reads; every file is then read again."""


class Places:
    """The place of each file among all: that of its first finding."""

    def __init__(self, work: duckdb.DuckDBPyConnection) -> None:
        self._work = work
        self._next = ledger.next_place(work)
        self._waiting = ledger.waiting_places(work)

    def of(self, item: FoundFile) -> int:
        """The place of a file that has not landed yet."""
        key = (str(item.path), item.export.name)
        if key not in self._waiting:
            self._waiting[key] = self._next
            self._next += 1
        return self._waiting[key]

    def hold(self, item: FoundFile) -> None:
        """Keep the place of a file that could not land."""
        ledger.hold_place(self._work, str(item.path), item.export.name, self.of(item))


def content_of(
    item: FoundFile, seen: dict[str, tuple[FileStamp, str]]
) -> tuple[str, int | None]:
    """A file's hash and, where it was hashed just now, its line feeds.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    stamp, digest = seen.get(str(item.path), (None, ""))
    if stamp == item.stamp:
        return digest, None
    return content_hash(item.path)


def manners_of(loaded: Loaded, buckets: int) -> dict[str, str]:
    """What decides how an export's bytes become reads, by the export's name."""
    shared = [_READING_VERSION, loaded.settings.timezone, buckets, read_limits()]
    found = {}
    for export in loaded.settings.exports:
        said = export.model_dump(mode="json", exclude={"name", "path", "supersedes"})
        parts = [*shared, loaded.settings.tier(export.name), said]
        found[export.name] = json.dumps(parts, sort_keys=True, default=str)
    return found


def read_as_of(manner: str, generation: int) -> str:
    """How a file is read, as one short hash."""
    return hashlib.sha256(f"{manner} {generation}".encode()).hexdigest()[:12]
