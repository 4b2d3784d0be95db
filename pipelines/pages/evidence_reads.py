"""A trailing year of reads of some meters, by day and hour, straight from the lake."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
import polars as pl

from pipelines.stages.profile.meter_reads import make_reads, own_folder
from pipelines.store.warehouse import run_sql
from pipelines.work.bucket_work import bucket_connection
from rightsize.evidence.site import YearReads

DAYS_SHOWN: Final = 366
_OWN: Final = ("calendar_hour", "calendar_day", "read_file")


def read_years(
    scratch: Path,
    files: tuple[list[str], list[str]],
    meter_ids: Sequence[str],
    *,
    timezone: str,
) -> tuple[dict[str, YearReads], dict[str, list[dict[str, Any]]]]:
    """The trailing year of each meter that has reads, and the files behind it.

    Parameters
    ----------
    files
        Interval and register files of the bucket that the meters lie in.

    Returns
    -------
    tuple of dict
        Reads by meter; rows of file_hash, read_count, superseded_count by meter.
    """
    with own_folder(scratch) as own, bucket_connection(own / "spill") as connection:
        make_reads(connection, files, meter_ids, timezone, own)
        for relation in _OWN:
            run_sql(connection, f"85_evidence/{relation}")
        hours = connection.sql("from calendar_hour").pl()
        days = connection.sql("from calendar_day").pl()
        sources = connection.sql("from read_file").pl()
    hours_of = _by_meter(hours)
    years = {
        meter_id: year_of(day_rows, hours_of.get(meter_id, hours.clear()))
        for meter_id, day_rows in _by_meter(days).items()
    }
    rows = {
        meter_id: frame.drop("meter_id").to_dicts()
        for meter_id, frame in _by_meter(sources).items()
    }
    return years, rows


def _by_meter(frame: pl.DataFrame) -> dict[str, pl.DataFrame]:
    parts = frame.partition_by("meter_id", as_dict=True, maintain_order=True)
    return {str(key[0]): part for key, part in parts.items()}


def year_of(days: pl.DataFrame, hours: pl.DataFrame) -> YearReads:
    """Arrays of the last `DAYS_SHOWN` days up to the newest read, gaps as NaN.

    Parameters
    ----------
    days : frame
        day_on, day_gal [gal], covered_share, estimated_share, night_gpm [gpm]; one row per day.
    hours : frame
        day_on, hour_of_day, flow_gpm [gpm].
    """
    last_on: Any = days["day_on"].max()
    first_on: Any = max(days["day_on"].min(), last_on - dt.timedelta(days=DAYS_SHOWN - 1))
    count = (last_on - first_on).days + 1
    place = (pl.col("day_on") - first_on).dt.total_days()
    days = days.with_columns(place=place).filter(pl.col("place") >= 0)
    hours = hours.with_columns(place=place).filter(
        (pl.col("place") >= 0) & (pl.col("place") < count)
    )
    hour_gpm = np.full((count, 24), np.nan)
    hour_gpm[hours["place"].to_numpy(), hours["hour_of_day"].to_numpy()] = hours[
        "flow_gpm"
    ].to_numpy()
    return YearReads(
        days=tuple(first_on + dt.timedelta(days=k) for k in range(count)),
        hour_gpm=hour_gpm,
        day_gal=_spread(days, "day_gal", count, np.nan),
        night_gpm=_spread(days, "night_gpm", count, np.nan),
        covered_share=np.minimum(_spread(days, "covered_share", count, 0.0), 1.0),
        estimated_share=_spread(days, "estimated_share", count, 0.0),
    )


def _spread(days: pl.DataFrame, column: str, count: int, absent: float) -> Any:
    values = np.full(count, absent)
    values[days["place"].to_numpy()] = days[column].fill_null(absent).to_numpy()
    return values
