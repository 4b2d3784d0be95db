"""Files of the exports, in the order in which they are loaded, and those that cannot be."""

from __future__ import annotations

import logging
import os
from dataclasses import dataclass
from pathlib import Path

import duckdb

from pipelines.configuration.load_settings import ExportSettings, Loaded
from pipelines.store.file_stamp import FileProblem, FileStamp, export_paths, unreadable
from pipelines.store.object_store import is_url
from pipelines.work.observe import event
from rightsize.errors import ConfigError


@dataclass(frozen=True)
class FoundFile:
    """A file of an export, as it was when found."""

    export: ExportSettings
    path: Path
    stamp: FileStamp


def find_files(loaded: Loaded) -> tuple[list[FoundFile], list[FileProblem]]:
    """Files of every export, in loading order, and what cannot be read."""
    found: list[FoundFile] = []
    problems: list[FileProblem] = []
    for export in loaded.settings.exports:
        paths, troubled = export_paths(loaded.export_place(export))
        problems.extend(_unnamed(p.path) or p for p in troubled)
        for path in sorted(paths, key=_landing_order):
            if (unnamed := _unnamed(path)) is not None:
                problems.append(unnamed)
                continue
            try:
                found.append(FoundFile(export, path, FileStamp.of(path)))
            except OSError as error:
                problems.append(unreadable(path, error))
    return found, problems


def _unnamed(path: Path) -> FileProblem | None:
    """A path that is not valid text cannot be in the ledger or in a message."""
    try:
        str(path).encode()
    except UnicodeEncodeError:
        shown = os.fsencode(path).decode("utf-8", "backslashreplace")
        told = f"{shown}: the file name is not UTF-8; rename the file"
        return FileProblem(Path(shown), "file_name", told)
    return None


def _landing_order(path: Path) -> tuple[str, str, str]:
    """`reads-2025-03` before `reads-2025-03-corrected`: the later read replaces the earlier."""
    return str(path.parent), path.name.split(".")[0], path.name


def expect_files(
    loaded: Loaded,
    work: duckdb.DuckDBPyConnection,
    found: list[FoundFile],
    problems: list[FileProblem],
) -> None:
    """Reject an export that matches no file and never loaded one.

    Raises
    ------
    ConfigError
        If there is such an export.
    """
    landed = {
        r[0]
        for r in work.execute("select distinct export_name from ledger.landed_file").fetchall()
    }
    for export in loaded.settings.exports:
        if export.name in landed or any(f.export.name == export.name for f in found):
            continue
        if problems:
            raise ConfigError("\n".join(p.message for p in problems))
        where = export.path if is_url(export.path) else loaded.export_place(export)
        raise ConfigError(f"export {export.name!r}: no file matches {where}")


def problem_of(item: FoundFile, error: Exception) -> FileProblem:
    """An error that kept a file from being loaded, for the list of such files."""
    if isinstance(error, OSError):
        return unreadable(item.path, error)
    if isinstance(error, ConfigError):
        return FileProblem(item.path, "file_columns", str(error))
    first = next(iter(str(error).splitlines()), "")
    if not isinstance(error, duckdb.Error):
        first = f"{type(error).__name__}: {first}"
        event("file fails", level=logging.ERROR, path=str(item.path), error=first)
    return FileProblem(item.path, "file_unreadable", f"{item.path}: cannot be read: {first}")
