"""The register's current reads of logged meters around the days of their logs."""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import duckdb
import polars as pl

from pipelines.stages.profile.profile import ProfilePartition, partitions
from pipelines.store.lake_partition import LakePartition
from pipelines.store.leftovers import own_name
from pipelines.store.resources import sql_text
from pipelines.store.warehouse import literal, literals, run_sql
from pipelines.store.workspace import Workspace
from pipelines.work.bucket_work import bucket_connection

_LIKE_PROFILE: Final = ("meter_key", "keyed_read", "superseded_read", "current_read")


def logged_reads(
    workspace: Workspace, meter_ids: Sequence[str], months: Sequence[str], *, timezone: str
) -> pl.DataFrame:
    """Reads that shape a profile, of some meters in some months.

    Returns
    -------
    frame
        meter_id, start_s [s of the UTC epoch], length_s, registered_gal; in the order of
        meter and time.
    """
    found = [p for p in partitions(workspace) if p.place.month in months]
    parts = []
    for bucket in sorted({p.place.bucket for p in found}):
        mine = [p for p in found if p.place.bucket == bucket]
        parts.append(_of_bucket(workspace, mine, meter_ids, timezone))
    if not parts:
        return pl.DataFrame(schema=_SCHEMA)
    return pl.concat(parts).sort("meter_id", "start_s")


_SCHEMA: Final = {
    "meter_id": pl.String, "start_s": pl.Float64, "length_s": pl.Float64,
    "registered_gal": pl.Float64,
}  # fmt: skip


def _of_bucket(
    workspace: Workspace,
    parts: Sequence[ProfilePartition],
    meter_ids: Sequence[str],
    timezone: str,
) -> pl.DataFrame:
    interval = sorted({f for p in parts for f in p.interval_files})
    register = sorted(
        {
            f
            for p in parts
            for f in (*p.register_files, *p.next_register_files, *p.far_register_files)
        }
    )
    with (
        workspace.storage.at_hand([*interval, *register]) as here,
        _folder(workspace.scratch) as own,
        bucket_connection(own / "spill") as connection,
    ):
        kept = [
            _copies(connection, [(f, here[f]) for f in files], meter_ids, own / str(k))
            for k, files in enumerate((interval, register))
        ]
        if not (kept[0] or kept[1]):
            return pl.DataFrame(schema=_SCHEMA)
        _current(connection, kept[0], kept[1], timezone)
        rows: pl.DataFrame = connection.sql(sql_text("35_logs/logged_read")).pl()
    return rows.cast(_SCHEMA)  # type: ignore[arg-type]


@contextmanager
def _folder(scratch: Path) -> Iterator[Path]:
    made = scratch / own_name("logs")
    made.mkdir(parents=True)
    try:
        yield made
    finally:
        shutil.rmtree(made, ignore_errors=True)


def _copies(
    connection: duckdb.DuckDBPyConnection,
    files: Sequence[tuple[Path, Path]],
    meter_ids: Sequence[str],
    scratch: Path,
) -> list[str]:
    """The files with these meters' rows alone; a file without any is left out."""
    found = []
    for name, file in files:
        rows = connection.sql(
            sql_text("85_evidence/site_read"),
            params={"file": literal(file), "meter_ids": list(meter_ids)},
        ).pl()
        if rows.height:
            place = LakePartition.parse(name)
            copy = scratch / place.path / name.name
            copy.parent.mkdir(parents=True, exist_ok=True)
            rows.write_parquet(copy, compression="uncompressed")
            found.append(str(copy))
    return found


def _current(
    connection: duckdb.DuckDBPyConnection,
    interval: list[str],
    register: list[str],
    timezone: str,
) -> None:
    """The profile stage's own statements up to the reads that count."""
    if interval:
        run_sql(connection, "30_profile/landed_read", {"interval_files": literals(interval)})
    else:
        run_sql(connection, "30_profile/landed_read_none")
    if register:
        run_sql(
            connection,
            "30_profile/ranked_reading",
            {"register_files": literals(register), "month_files": register},
        )
        run_sql(connection, "30_profile/interval_from_register")
    for relation in _LIKE_PROFILE:
        zone = {"timezone": timezone} if relation == "current_read" else {}
        run_sql(connection, f"30_profile/{relation}", zone)
