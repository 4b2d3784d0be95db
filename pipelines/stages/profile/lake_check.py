"""Lake files are checked before a profile is built from them.

A file's name identifies the landed file, its folder the month and bucket. A file that was
replaced, truncated or overwritten is reported with its path and what to do: only the lake has
every read, so nothing is built from a file that may be wrong.
"""

from __future__ import annotations

import calendar
import datetime as dt
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

import duckdb

from pipelines.store.storage import Here
from pipelines.store.warehouse import literals
from rightsize.errors import DamageError

_DAY: Final = dt.timedelta(days=1)
"""Tolerance between two calendars; a file of another month differs by more."""
_LOOKED_AT: Final = 1024
"""Rows whose meters are checked against the bucket: in a file of another bucket all differ."""
_CURE: Final = (
    "restore it from a backup of the workspace: lake files never change. Without a backup, "
    "start a new workspace from the exports and copy published/ into it"
)


def check_lake_files(
    connection: duckdb.DuckDBPyConnection,
    here: Here,
    files: dict[str, tuple[Path, ...]],
    *,
    month: str,
    bucket: int,
    timezone: str,
    bucket_count: int | None,
) -> None:
    """Reject files, given by time column, that do not belong to the month and bucket.

    Raises
    ------
    DamageError
        Naming the file.
    """
    year, number = (int(part) for part in month.split("-"))
    zone = ZoneInfo(timezone)
    first_at = dt.datetime(year, number, 1, tzinfo=zone) - _DAY
    days = calendar.monthrange(year, number)[1]
    last_at = first_at + _DAY * (days + 2)
    strays = (
        "count(*) filter (md5_number_lower(meter_id::varchar) % "
        f"{bucket_count}::ubigint <> {int(bucket)}::ubigint)"
        if bucket_count
        else "count(*) filter (false)"
    )
    for column, names in files.items():
        for name in names:
            try:
                (found,) = connection.execute(
                    f"select min({column}), max({column}), (select {strays} from (select "
                    "meter_id from read_parquet($files, hive_partitioning = false) "
                    f"limit {_LOOKED_AT})) "
                    "from read_parquet($files, hive_partitioning = false)",
                    {"files": literals([here[name]])},
                ).fetchall()
            except duckdb.InterruptException:
                raise
            except duckdb.Error as error:
                first = str(error).strip().splitlines()[0]
                raise DamageError(f"{name} cannot be read ({first}); {_CURE}") from None
            earliest, latest, stray_count = found
            if earliest is None:
                continue
            if earliest < first_at or latest > last_at:
                raise DamageError(
                    f"{name} has reads of another month ({earliest:%Y-%m-%d} to "
                    f"{latest:%Y-%m-%d}); {_CURE}"
                )
            if stray_count:
                raise DamageError(f"{name} has reads of meters of other buckets; {_CURE}")
