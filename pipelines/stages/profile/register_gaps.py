"""Register readings that follow a gap of more than a month."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Final

import duckdb

from pipelines.store.checksum import PROMISE, State, seal, state_of
from pipelines.store.lake_partition import LakePartition
from pipelines.store.storage import DiskStorage
from pipelines.store.warehouse import literals
from pipelines.store.workspace import Workspace

_READ_METERS: Final = (
    "select distinct meter_id from read_parquet(?, hive_partitioning = false) "
    "where quality <> 'missing' and reading_gal is not null"
)
_NOTED_METERS: Final = (
    "select distinct meter_id from read_parquet(?, hive_partitioning = false)"
)

Files = tuple[Path, ...]


def files_behind_gaps(
    register: Mapping[LakePartition, Files], workspace: Workspace
) -> dict[LakePartition, Files]:
    """Files beyond the next month that hold the next reading of one of a month's meters.

    Parameters
    ----------
    register
        Lake files of register readings by partition.
    workspace
        Whose lake that is.

    Returns
    -------
    dict
        By partition; omitted if all its meters are read in the next month.
    """
    behind: dict[LakePartition, Files] = {}
    with duckdb.connect() as connection:
        for bucket in sorted({p.bucket for p in register}):
            months = sorted(p for p in register if p.bucket == bucket)
            if len(months) < 3:
                continue
            names = [_read_meters(connection, register[p], workspace) for p in months]
            for place, partition in enumerate(months[:-2]):
                files = [register[months[later]] for later in _needed(names[place:], place)]
                if files:
                    behind[partition] = tuple(p for group in files for p in group)
    return behind


def _needed(names: list[set[str]], place: int) -> list[int]:
    """Months after the next one in which a meter of the first month is first read again."""
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

    For files in an object store the meters are cached here, one file each, which never
    changes: fetching all readings every night would be expensive.
    """
    if workspace.lake_url is None:
        with workspace.storage.at_hand(files) as here:
            query, paths = _READ_METERS, list(here.values())
    else:
        query, paths = _NOTED_METERS, _notes(connection, files, workspace)
    rows = connection.execute(query, [literals(paths)]).fetchall()
    return {name for (name,) in rows}


def _notes(
    connection: duckdb.DuckDBPyConnection, files: Files, workspace: Workspace
) -> list[Path]:
    notes = {f: workspace.register_meters / f.relative_to(workspace.lake) for f in files}
    missing = [file for file, note in notes.items() if not _is_whole(note)]
    with workspace.storage.at_hand(missing) as here:
        for file in missing:
            names = connection.sql(_READ_METERS, params=[literals([here[file]])]).pl()
            aside = here[file].with_suffix(".names")
            names.write_parquet(aside, metadata=PROMISE)
            seal(aside)
            DiskStorage().put_files({notes[file]: aside})
    return list(notes.values())


def _is_whole(note: Path) -> bool:
    return note.is_file() and state_of(note) is not State.damaged
