"""Apply corrections of the meter list, or of the clock, to reads landed earlier."""

from __future__ import annotations

import logging
from pathlib import Path

import duckdb
import polars as pl

from pipelines.stages.land.found_files import FoundFile
from pipelines.stages.land.land_file import latest_at
from pipelines.store import ledger
from pipelines.store.checksum import check_here
from pipelines.store.file_stamp import FileProblem, content_hash
from pipelines.store.lake_partition import LAKE_FOLDERS, LakePartition, bucket_files
from pipelines.store.storage import local_paths
from pipelines.store.warehouse import literals, run_sql, set_variables
from pipelines.store.workspace import Workspace
from pipelines.work.observe import event
from rightsize.errors import DamageError

_OF_SCALE = (
    "has reads of a meter whose multiplier or register digits changed in the meter list, but "
    "the file no longer exists; its reads stay unchanged; restore the file"
)
_OF_CLOCK = (
    "was checked while the host's clock was wrong, but the file no longer exists; its rejected "
    "rows stay rejected; restore the file"
)


def restate(
    workspace: Workspace, work: duckdb.DuckDBPyConnection, found: list[FoundFile], buckets: int
) -> list[FileProblem]:
    """Mark files to be read again after a correction in the meter list or of the clock.

    The same is done for files whose part of the lake, or whose rejected rows, are missing.

    Returns
    -------
    list of FileProblem
        Files that should be read again but no longer exist.

    Raises
    ------
    DamageError
        If a file of the lake is missing and its export no longer exists.
    """
    set_variables(work, {"bucket_count": buckets, "latest_at": latest_at(ledger.now_utc(work))})
    scaled = _of_changed_scales(workspace, work)
    timed = {name for (name,) in run_sql(work, "10_land/clock_stale").fetchall()}
    incomplete = _of_missing_files(workspace, work, found)
    ledger.read_again(work, sorted(scaled | timed | incomplete))
    lost = _not_there(work, sorted(scaled | timed), found)
    return [
        FileProblem(Path(path), code, f"{path}: {told}")
        for code, told, files in (
            ("multiplier_stale", _OF_SCALE, scaled),
            ("refusals_stale", _OF_CLOCK, timed - scaled),
        )
        for path in ledger.paths_of(work, sorted(files))
        if path in lost
    ]


def _of_missing_files(
    workspace: Workspace, work: duckdb.DuckDBPyConnection, found: list[FoundFile]
) -> set[str]:
    """Landed files of which a file of the lake, or the rejected rows, are gone."""
    there = set(workspace.storage.files(workspace.lake, f"{LAKE_FOLDERS}/*.parquet"))
    rows = work.execute(
        "select file_hash, kind, month, bucket from ledger.landed_partition order by all"
    ).fetchall()
    wanted = [
        (name, workspace.lake / LakePartition(kind, month, bucket).path / f"{name}.parquet")
        for name, kind, month, bucket in rows
    ]
    gone = {name: path for name, path in wanted if path not in there}
    refused = work.execute(
        "select file_hash from ledger.landed_file where rows_rejected > 0 and file_hash not in"
        " (select file_hash from ledger.deleted_partition where kind = 'rejected') order by all"
    ).fetchall()
    for (name,) in refused:
        path = workspace.rejected / f"{name}.parquet"
        if not path.is_file():
            gone.setdefault(name, path)
    lost = _not_there(work, sorted(gone), found)
    for name, path in sorted(gone.items()):
        (export,) = ledger.paths_of(work, [name])
        if export in lost:
            raise DamageError(
                f"{path} is missing, and its export {export} no longer exists; restore one of "
                "them from a backup"
            )
        event("file of the lake missing, loading again", level=logging.WARNING, path=str(path))
    return set(gone)


def _not_there(
    work: duckdb.DuckDBPyConnection, landings: list[str], found: list[FoundFile]
) -> set[str]:
    """Paths of landings whose content is neither there nor, as after a move, elsewhere.

    Files are hashed only where one of a lost file's size is found.
    """
    there = {str(item.path) for item in found}
    rows = work.execute(
        "select path, bytes, content_hash from ledger.landed_file "
        "where list_contains(?, file_hash)",
        [landings],
    ).fetchall()
    lost = [row for row in rows if row[0] not in there]
    sizes = {size for _, size, _ in lost}
    elsewhere = {_digest(item) for item in found if item.stamp.bytes in sizes}
    return {path for path, _, digest in lost if digest not in elsewhere}


def _digest(item: FoundFile) -> str:
    try:
        return content_hash(item.path)[0]
    except OSError:
        return ""  # told when it is landed


def _of_changed_scales(workspace: Workspace, work: duckdb.DuckDBPyConnection) -> set[str]:
    """Landed files with accepted or rejected reads of meters whose scale was corrected."""
    changed = run_sql(work, "10_land/changed_scale").fetchall()
    stale: set[str] = set()
    both = (workspace.interval_reads, workspace.register_reads)
    for bucket in sorted({b for _, b, _ in changed}):
        for kinds, is_multiplier in ((both, True), ((workspace.register_reads,), False)):
            names = [n for n, b, said in changed if b == bucket and said == is_multiplier]
            stale |= _files_of(workspace, work, kinds, names, bucket) if names else set()
    return stale | _refused_files_of(workspace, work, [name for name, _, _ in changed])


def _files_of(
    workspace: Workspace,
    work: duckdb.DuckDBPyConnection,
    kinds: tuple[Path, ...],
    names: list[str],
    bucket: int,
) -> set[str]:
    """Landed files with accepted reads of any of these meters of one bucket."""
    held: set[str] = set()
    storage = workspace.storage
    for kind in kinds:
        files = storage.files(kind, bucket_files(bucket))
        if files:
            with storage.at_hand(files) as here:
                held |= _holding(work, local_paths(here), names)
    return held


def _refused_files_of(
    workspace: Workspace, work: duckdb.DuckDBPyConnection, names: list[str]
) -> set[str]:
    """Landed files with rejected reads of any of these meters."""
    files = [str(p) for p in workspace.rejected.glob("*.parquet") if p.name[0] != "."]
    if not files or not names:
        return set()
    check_here(files)
    return _holding(work, files, names)


def _holding(work: duckdb.DuckDBPyConnection, files: list[str], names: list[str]) -> set[str]:
    rows = work.execute(
        "select distinct parse_filename(filename, true) from read_parquet(?, "
        "filename = true, hive_partitioning = false) where list_contains(?, meter_id)",
        [literals(files), names],
    ).fetchall()
    return {name for (name,) in rows}


def latest_scale(meters: pl.DataFrame) -> pl.DataFrame:
    """One row per meter: the multiplier of its latest stay."""
    return (
        meters.sort("installed_on", "line", nulls_last=False)
        .unique("meter_id", keep="last", maintain_order=True)
        .select("meter_id", "multiplier", "register_digits")
    )
