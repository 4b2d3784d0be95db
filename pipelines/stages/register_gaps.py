"""Where a register is read on after a gap of more than a month."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Final

import duckdb

from pipelines.storage import DiskStorage
from pipelines.warehouse import literals
from pipelines.workspace import Workspace

_READ_METERS: Final = (
    "select distinct meter_id from read_parquet(?, hive_partitioning = false) "
    "where quality <> 'missing' and reading_gal is not null"
)
_NOTED_METERS: Final = (
    "select distinct meter_id from read_parquet(?, hive_partitioning = false)"
)

Files = tuple[Path, ...]
ByPartition = dict[tuple[str, str], Files]  # by month and bucket


def files_behind_gaps(
    register: Mapping[tuple[str, str], Files], workspace: Workspace
) -> dict[tuple[str, str], Files]:
    """Files beyond the next month that hold the next reading of one of a month's meters.

    Parameters
    ----------
    register
        Lake files of register readings by month and bucket.
    workspace
        Whose lake that is.

    Returns
    -------
    dict
        By month and bucket; a partition whose meters are all read in the next one is left out.
    """
    behind: ByPartition = {}
    with duckdb.connect() as connection:
        for bucket in sorted({b for _, b in register}):
            months = sorted(m for m, b in register if b == bucket)
            if len(months) < 3:
                continue
            names = [
                _read_meters(connection, register[month, bucket], workspace) for month in months
            ]
            for place, month in enumerate(months[:-2]):
                files = [
                    register[months[later], bucket] for later in _needed(names[place:], place)
                ]
                if files:
                    behind[month, bucket] = tuple(p for group in files for p in group)
    return behind


def _needed(names: list[set[str]], place: int) -> list[int]:
    """Months behind the next one in which a meter of the first is read for the first time."""
    waiting = names[0] - names[1]
    needed = []
    for later, read in enumerate(names[2:], start=place + 2):
        if not waiting:
            break
        if waiting & read:
            needed.append(later)
            waiting -= read
    return needed


def _read_meters(
    connection: duckdb.DuckDBPyConnection, files: Files, workspace: Workspace
) -> set[str]:
    """Meters read in files of the lake.

    For files in an object store a note of them is kept here, one a file, which never changes:
    to fetch all readings each night would be dear.
    """
    if workspace.lake_url is None:
        query, paths = _READ_METERS, files
    else:
        query, paths = _NOTED_METERS, _notes(connection, files, workspace)
    rows = connection.execute(query, [literals(paths)]).fetchall()
    return {name for (name,) in rows}


def _notes(
    connection: duckdb.DuckDBPyConnection, files: Files, workspace: Workspace
) -> list[Path]:
    notes = {f: workspace.register_meters / f.relative_to(workspace.lake) for f in files}
    missing = [file for file, note in notes.items() if not note.is_file()]
    with workspace.storage.at_hand(missing) as here:
        for file in missing:
            names = connection.sql(_READ_METERS, params=[literals([here[file]])]).pl()
            aside = here[file].with_suffix(".names")
            names.write_parquet(aside)
            DiskStorage().put_files({notes[file]: aside})
    return list(notes.values())
