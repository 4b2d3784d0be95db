"""Reads of some meters alone, straight from the lake, as the profile stage counts them.

The stage's own statements define current reads, full hours and days. They run on copies of the
lake's files with only the requested meters.
"""

from __future__ import annotations

import calendar
import datetime as dt
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import duckdb

from pipelines.stages.profile.profile import partitions
from pipelines.store.leftovers import own_name
from pipelines.store.resources import sql_text
from pipelines.store.warehouse import literal, literals, run_sql
from pipelines.store.workspace import Workspace

_MONTHS_READ: Final = 14  # a year of whole months, and one before for a first reading
_CURRENT: Final = ("meter_key", "keyed_read", "superseded_read", "current_read")
_BY_TIME: Final = ("hour_read", "day_read")


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


@contextmanager
def own_folder(scratch: Path) -> Iterator[Path]:
    """A folder of our own: DuckDB removes an empty spill folder when it likes."""
    made = scratch / own_name("reads")
    made.mkdir(parents=True)
    try:
        yield made
    finally:
        shutil.rmtree(made, ignore_errors=True)


def make_reads(
    connection: duckdb.DuckDBPyConnection,
    files: tuple[list[str], list[str]],
    meter_ids: Sequence[str],
    timezone: str,
    scratch: Path,
) -> None:
    """Make the profile stage's tables of reads, hours and days of some meters.

    Parameters are those of `make_current_reads`.
    """
    make_current_reads(connection, files, meter_ids, timezone, scratch)
    for relation in _BY_TIME:
        run_sql(connection, f"30_profile/{relation}")


def make_current_reads(
    connection: duckdb.DuckDBPyConnection,
    files: tuple[Sequence[str], Sequence[str]],
    meter_ids: Sequence[str],
    timezone: str,
    scratch: Path,
) -> None:
    """The same up to the reads that count.

    Parameters
    ----------
    files
        Interval and register files of the bucket that the meters lie in.
    scratch
        A folder of our own.
    """
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
    for relation in _CURRENT:
        zone = {"timezone": timezone} if relation == "current_read" else {}
        run_sql(connection, f"30_profile/{relation}", zone)


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


def _month_end(month: str) -> dt.date:
    year, number = (int(part) for part in month.split("-"))
    return dt.date(year, number, calendar.monthrange(year, number)[1])
