"""Multipliers that were put right in the meter list reach the reads that landed before."""

from __future__ import annotations

from pathlib import Path

import duckdb
import polars as pl

from pipelines.stages.land.found_files import FoundFile
from pipelines.store import ledger
from pipelines.store.file_stamp import FileProblem
from pipelines.store.lake_partition import bucket_files
from pipelines.store.storage import local_paths
from pipelines.store.warehouse import run_sql, set_variables
from pipelines.store.workspace import Workspace


def restate(
    workspace: Workspace, work: duckdb.DuckDBPyConnection, found: list[FoundFile], buckets: int
) -> list[FileProblem]:
    """Have files read again whose meters' multipliers were put right in the meter list.

    Returns
    -------
    list of FileProblem
        Files that would have to be read again and are not there any more.
    """
    set_variables(work, {"bucket_count": buckets})
    changed = run_sql(work, "10_land/changed_multiplier").fetchall()
    stale: set[str] = set()
    for bucket in sorted({b for _, b in changed}):
        names = [name for name, b in changed if b == bucket]
        stale |= _files_of(workspace, work, names, bucket)
    ledger.read_again(work, sorted(stale))
    there = {str(item.path) for item in found}
    return [
        FileProblem(
            Path(path),
            "multiplier_stale",
            f"{path}: holds reads of a meter whose multiplier changed in the meter list, but "
            "is gone; its reads keep the former multiplier",
        )
        for path in ledger.paths_of(work, sorted(stale))
        if path not in there
    ]


def _files_of(
    workspace: Workspace, work: duckdb.DuckDBPyConnection, names: list[str], bucket: int
) -> set[str]:
    """The landings that hold reads of any of these meters of one bucket."""
    held: set[str] = set()
    storage = workspace.storage
    for kind in (workspace.interval_reads, workspace.register_reads):
        files = storage.files(kind, bucket_files(bucket))
        if files:
            with storage.at_hand(files) as here:
                rows = work.execute(
                    "select distinct parse_filename(filename, true) from read_parquet(?, "
                    "filename = true, hive_partitioning = false) "
                    "where list_contains(?, meter_id)",
                    [local_paths(here), names],
                ).fetchall()
            held |= {name for (name,) in rows}
    return held


def latest_scale(meters: pl.DataFrame) -> pl.DataFrame:
    """One row a meter: the scale of its latest stay."""
    return (
        meters.sort("installed_on", "line", nulls_last=False)
        .unique("meter_id", keep="last", maintain_order=True)
        .select("meter_id", "multiplier", "register_digits")
    )
