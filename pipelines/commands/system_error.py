"""Errors of the system under a command (disk, memory, a lock, a damaged database) as a line."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import Final

import duckdb

from pipelines.store.warehouse import is_damage

_REFUSED: Final = (
    "No space left on device", "Read-only file system", "Disk quota exceeded",
    "Cannot allocate memory",
)  # fmt: skip


@dataclass(frozen=True)
class SystemRefusal:
    """What the system refused, in one line; or that a database is damaged."""

    text: str
    is_damage: bool = False


def said_in_a_line(error: Exception) -> SystemRefusal | None:
    """The error in one line; None if it is none of the system's."""
    if isinstance(error, OSError):
        where = f"{os.fsdecode(error.filename)}: " if error.filename else ""
        told = (error.strerror or str(error) or type(error).__name__).lower()
        return SystemRefusal(f"{where}{told}")
    if isinstance(error, MemoryError):
        return SystemRefusal("out of memory; use fewer --workers, or lower RIGHTSIZE_MEMORY")
    line = " ".join(str(error).split())
    if isinstance(error, duckdb.Error) and is_damage(error):
        text = f"{line}; to see which file: `rightsize health CONFIG --deep`"
        return SystemRefusal(text, is_damage=True)
    of_database = (duckdb.IOException, duckdb.FatalException, duckdb.OutOfMemoryException)
    if isinstance(error, of_database) or any(sign in line for sign in _REFUSED):
        return SystemRefusal(line)
    return None
