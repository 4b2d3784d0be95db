"""The register's current reads of logged meters around the days of their logs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import polars as pl

from pipelines.stages.profile.meter_reads import make_current_reads, own_folder
from pipelines.stages.profile.profile import ProfilePartition, partitions
from pipelines.store.resources import sql_text
from pipelines.store.workspace import Workspace
from pipelines.work.bucket_work import bucket_connection


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
        own_folder(workspace.scratch) as own,
        bucket_connection(own / "spill") as connection,
    ):
        files = [str(here[f]) for f in interval], [str(here[f]) for f in register]
        make_current_reads(connection, files, meter_ids, timezone, own)
        rows: pl.DataFrame = connection.sql(sql_text("35_logs/logged_read")).pl()
    return rows.cast(_SCHEMA)  # type: ignore[arg-type]
