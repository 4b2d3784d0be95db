"""A trailing year of reads of some meters, by day and hour, straight from the lake.

The profile stage's own statements define current reads, full hours and days. They run on
copies of the lake's files with only the requested meters.
"""

from __future__ import annotations

import calendar
import datetime as dt
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

import duckdb
import numpy as np
import polars as pl

from pipelines.stages.profile.profile import partitions
from pipelines.store.leftovers import own_name
from pipelines.store.resources import sql_text
from pipelines.store.warehouse import literal, literals, run_sql
from pipelines.store.workspace import Workspace
from pipelines.work.bucket_work import bucket_connection
from rightsize.evidence.site import YearReads

DAYS_SHOWN: Final = 366
_MONTHS_READ: Final = 14  # a year of whole months, and one before for a first reading
_LIKE_PROFILE: Final = (
    "meter_key",
    "keyed_read",
    "superseded_read",
    "current_read",
    "hour_read",
    "day_read",
)
_OWN: Final = ("calendar_hour", "calendar_day", "read_file")


class LakeFiles:
    """The lake's files by bucket, newest months only; listed once for many meters."""

    def __init__(self, workspace: Workspace) -> None:
        self._storage = workspace.storage
        found = partitions(workspace)
        months = sorted({p.place.month for p in found})[-_MONTHS_READ:]
        self._interval: dict[int, list[Path]] = {}
        self._register: dict[int, list[Path]] = {}
        for part in found:
            if part.place.month in months:
                self._interval.setdefault(part.place.bucket, []).extend(part.interval_files)
                self._register.setdefault(part.place.bucket, []).extend(part.register_files)
        self.last_on = _month_end(months[-1]) if months else None

    @contextmanager
    def of(self, bucket: int) -> Iterator[tuple[list[str], list[str]]]:
        """Files of interval reads and of register readings of a bucket, at hand."""
        interval, register = self._interval.get(bucket, []), self._register.get(bucket, [])
        with self._storage.at_hand([*interval, *register]) as here:
            yield [str(here[p]) for p in interval], [str(here[p]) for p in register]


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
    with _folder(scratch) as own, bucket_connection(own / "spill") as connection:
        _reduce(connection, files, meter_ids, timezone, own)
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


@contextmanager
def _folder(scratch: Path) -> Iterator[Path]:
    """A folder of our own: DuckDB removes an empty spill folder when it likes."""
    made = scratch / own_name("evidence")
    made.mkdir(parents=True)
    try:
        yield made
    finally:
        shutil.rmtree(made, ignore_errors=True)


def _reduce(
    connection: duckdb.DuckDBPyConnection,
    files: tuple[list[str], list[str]],
    meter_ids: Sequence[str],
    timezone: str,
    scratch: Path,
) -> None:
    interval, register = (
        _copies(connection, kind, meter_ids, scratch / str(place))
        for place, kind in enumerate(files)
    )
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
    for relation in _OWN:
        run_sql(connection, f"85_evidence/{relation}")


def _copies(
    connection: duckdb.DuckDBPyConnection,
    files: Sequence[str],
    meter_ids: Sequence[str],
    scratch: Path,
) -> list[str]:
    """The files with these meters' rows alone; a file without any is left out."""
    found = []
    for number, file in enumerate(files):
        rows = connection.sql(
            sql_text("85_evidence/site_read"),
            params={"file": literal(file), "meter_ids": list(meter_ids)},
        ).pl()
        if rows.height:
            copy = scratch / str(number) / Path(file).name
            copy.parent.mkdir(parents=True)
            rows.write_parquet(copy, compression="uncompressed")
            found.append(str(copy))
    return found


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


def _month_end(month: str) -> dt.date:
    year, number = (int(part) for part in month.split("-"))
    return dt.date(year, number, calendar.monthrange(year, number)[1])
