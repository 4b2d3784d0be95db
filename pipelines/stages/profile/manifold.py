"""Meters side by side on one line: their flow summed, where all of them report."""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl

from pipelines.stages.profile.meter_reads import LakeFiles, make_reads, own_folder
from pipelines.store.workspace import Workspace
from pipelines.work.bucket_work import bucket_connection

_HOUR_MIN = 60.0
_PLACE = ["account_id", "group", "interval_min", "start_at"]

_SUMMED = pl.Schema(
    {
        "account_id": pl.String(),
        "group": pl.String(),
        "interval_min": pl.Float64(),
        "start_at": pl.Datetime("us", "UTC"),
        "flow_gpm": pl.Float64(),
    }
)


def summed_flow(workspace: Workspace, members: pl.DataFrame, *, timezone: str) -> pl.DataFrame:
    """Flow of each group, by read and by full hour, of times that every meter of it reports.

    Parameters
    ----------
    members : frame, one row a meter
        account_id, group, meter_id, bucket: the meter's part of the lake.

    Returns
    -------
    frame, one row a group, length and time
        account_id, group, interval_min (60 for hours), start_at, flow_gpm [gpm].
    """
    if members.is_empty():
        return pl.DataFrame(schema=_SUMMED)
    flow = pl.concat(_flows(workspace, members, timezone), how="vertical_relaxed")
    size = members.group_by("account_id", "group").agg(meter_count=pl.len())
    return (
        flow.join(members.select("account_id", "group", "meter_id"), on="meter_id")
        .unique([*_PLACE, "meter_id"])
        .group_by(_PLACE)
        .agg(pl.col("flow_gpm").sum(), told=pl.len())
        .join(size, on=["account_id", "group"])
        .filter(pl.col("told") == pl.col("meter_count"))
        .select(*_PLACE, "flow_gpm")
        .sort(_PLACE)
    )


def _flows(
    workspace: Workspace, members: pl.DataFrame, timezone: str
) -> Iterator[pl.DataFrame]:
    lake = LakeFiles(workspace)
    for (bucket,), part in members.group_by("bucket", maintain_order=True):
        with (
            lake.of(int(str(bucket))) as files,
            own_folder(workspace.scratch) as own,
            bucket_connection(own / "spill") as connection,
        ):
            make_reads(connection, files, part["meter_id"].to_list(), timezone, own)
            yield connection.sql(
                "select meter_id, interval_min::double as interval_min, start_at, flow_gpm"
                " from current_read join meter_key using (meter_key)"
                f" where is_shape and interval_min < {_HOUR_MIN}"
                " union all"
                f" select meter_id, {_HOUR_MIN}::double, hour_at, flow_gpm"
                " from hour_read join meter_key using (meter_key)"
            ).pl()
