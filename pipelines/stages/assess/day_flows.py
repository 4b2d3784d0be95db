"""Days of the meters of a bucket, from the day files of its months."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import polars as pl

from rightsize.demand.continuous_flow import still_running

_MOST_DAYS: Final = 2**20
"""More days than any date since 1970 counts."""

NO_DAYS = pl.DataFrame(
    schema={
        "meter_id": pl.String,
        "day_on": pl.Date,
        "least_gpm": pl.Float64,
        "day_gpm": pl.Float64,
    }
)


def all_days(files: Sequence[str], service: pl.DataFrame) -> pl.DataFrame:
    """Every day in the lake of the meters in service, in order.

    So a flow that began within the year has days before it. Meter and day are sorted as one
    number: to sort names and days takes more than twice as long.
    """
    place = service.select("meter_id").sort("meter_id").with_row_index("place")
    return (
        _scanned(files)
        .join(place.lazy(), on="meter_id")
        .sort(pl.col("place").cast(pl.Int64) * _MOST_DAYS + pl.col("day_on").to_physical())
        .drop("place")
        .collect()
    )


def days_of_runners(
    files: Sequence[str], service: pl.DataFrame, *, window_days: int
) -> pl.DataFrame:
    """Every day of the meters whose flow has not stopped for the trailing days.

    Those are few, and the newest months tell them: older ones are read for them alone.

    Parameters
    ----------
    files
        Day files of the bucket, one a month, the newest last.
    """
    running: list[pl.DataFrame] = []
    held, left = NO_DAYS, service.select("meter_id").unique()
    for place in reversed(range(len(files))):
        read = _scanned(files[place : place + 1]).join(left.lazy(), on="meter_id", how="semi")
        held = pl.concat([held, read.collect()])
        known = _complete(held, window_days)
        running.append(still_running(held.join(known, on="meter_id", how="semi"), window_days))
        left = left.join(known, on="meter_id", how="anti")
        held = held.join(known, on="meter_id", how="anti")
        if left.is_empty():
            break
    running.append(still_running(held, window_days))
    return all_days(files, pl.concat(running))


def _complete(days: pl.DataFrame, window_days: int) -> pl.DataFrame:
    """Meters of which a day before the trailing ones is at hand: files hold whole months."""
    span = (pl.col("day_on").max() - pl.col("day_on").min()).dt.total_days()
    return (
        days.group_by("meter_id")
        .agg(span=span)
        .filter(pl.col("span") >= window_days)
        .select("meter_id")
    )


def _scanned(files: Sequence[str]) -> pl.LazyFrame:
    days = pl.scan_parquet(list(files), glob=False, hive_partitioning=False)
    return days.select("meter_id", "day_on", pl.col("least_gpm", "day_gpm").cast(pl.Float64))
