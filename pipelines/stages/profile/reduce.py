"""One partition's reads reduced to its profile tables.

Meters whose reads lie on a grid are reduced as matrices; all others, and the question which of
several reads counts, go through the statements of `sql/30_profile`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Final

import duckdb
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from pipelines.stages.profile import (
    grid_meters,
    grid_reads,
    grid_tables,
    lake_columns,
    profile_tables,
)
from pipelines.stages.profile.grid_meters import GridMeters
from pipelines.stages.profile.grid_reads import GridReads
from pipelines.stages.profile.profile_tables import TABLES, ordered_table
from pipelines.store.resources import sql_text
from pipelines.store.warehouse import literals, run_sql
from rightsize.demand import bands, month_grid, month_register_step, month_statistics
from rightsize.demand.month_grid import sum_in_any_order

BAND_PARAMETERS: Final = {
    "first_edge_gpm": bands.FIRST_EDGE_GPM,
    "bands_per_decade": bands.BANDS_PER_DECADE,
    "band_count": bands.BAND_COUNT,
}
MOST_ROWS: Final = 16_000_000
"""Rows of a partition held in memory (1 GB); one with more goes through SQL, which spills."""
_IS_HANDED: Final = "meter_id in (select meter_id from handed_meter)"
_RESOLVED: Final = ("meter_key", "keyed_read", "superseded_read")
_REDUCED: Final = ("deviation", "hour_read", "day_read", "register_step", "month_stat")
_MODULES: Final[tuple[ModuleType, ...]] = (
    grid_meters,
    grid_reads,
    grid_tables,
    lake_columns,
    profile_tables,
    month_grid,
    month_statistics,
    month_register_step,
)


def reduce_partition(
    connection: duckdb.DuckDBPyConnection,
    *,
    interval: Sequence[Path],
    register: Sequence[Path],
    next_register: Sequence[Path] = (),
    far_register: Sequence[Path] = (),
    timezone: str,
    sql_only: bool = False,
) -> dict[str, pa.Table]:
    """The `TABLES` of one partition's files, in their order.

    `sql_only` sends every meter through SQL: the reference that matrices are tested against.
    """
    grid = GridMeters(connection, timezone)
    if register:
        _readings(connection, register, next_register, far_register)
    is_left = _hand_over(connection, grid, interval, by_register=bool(register), all_=sql_only)
    if not is_left and not register:
        return grid.with_rows(_tables_without_rows())
    if not register:
        run_sql(connection, "30_profile/ranked_reading_none")
    _run(connection, grid, timezone, by_register=bool(register), sql_only=sql_only)
    return grid.with_rows({name: ordered_table(connection, name) for name in TABLES})


def _run(
    connection: duckdb.DuckDBPyConnection,
    grid: GridMeters,
    timezone: str,
    *,
    by_register: bool,
    sql_only: bool,
) -> None:
    """Make the `TABLES` of `landed_read` and `ranked_reading` in the connection."""
    if by_register and sql_only:
        run_sql(connection, "30_profile/interval_from_register")
    elif by_register:
        grid.take_calm_registers()
        _intervals_of_others(connection)
    for relation in _RESOLVED:
        run_sql(connection, f"30_profile/{relation}")
    run_sql(connection, "30_profile/current_read", {"timezone": timezone})
    if not sql_only:
        grid.take_again()
    for relation in _REDUCED:
        run_sql(connection, f"30_profile/{relation}")
    run_sql(connection, "30_profile/month_band", BAND_PARAMETERS)
    for relation in ("day_flow", "balance", "stuck_register", "replaced_read"):
        run_sql(connection, f"30_profile/{relation}")


def _intervals_of_others(connection: duckdb.DuckDBPyConnection) -> None:
    """Differences of readings of meters not taken yet; the statement sees no others."""
    connection.execute("alter table ranked_reading rename to every_reading")
    connection.execute(
        "create temp table ranked_reading as from every_reading"
        " where meter_id not in (select meter_id from taken_register)"
    )
    run_sql(connection, "30_profile/interval_from_register")
    connection.execute("drop table ranked_reading")
    connection.execute("alter table every_reading rename to ranked_reading")


@cache
def _tables_without_rows() -> dict[str, pa.Table]:
    """What the statements make of no reads: columns and types."""
    with duckdb.connect(config={"threads": 1}) as connection:
        connection.execute("set TimeZone = 'UTC'")
        return reduce_partition(
            connection, interval=(), register=(), timezone="UTC", sql_only=True
        )


@cache
def method_digest() -> str:
    """Digest of the statements and modules that make a profile."""
    names = sorted({*_STATEMENTS})
    digest = hashlib.sha256("\n".join(sql_text(f"30_profile/{n}") for n in names).encode())
    for module in _MODULES:
        digest.update(Path(str(module.__file__)).read_bytes())
    digest.update(Path(__file__).read_bytes())
    return digest.hexdigest()


_STATEMENTS: Final = (
    "landed_read",
    "landed_read_none",
    "ranked_reading",
    "ranked_reading_none",
    "far_reading",
    "calm_reading",
    "interval_from_register",
    *_RESOLVED,
    "current_read",
    "grid_again",
    *_REDUCED,
    *TABLES,
)


def _readings(
    connection: duckdb.DuckDBPyConnection,
    register: Sequence[Path],
    next_register: Sequence[Path],
    far_register: Sequence[Path],
) -> None:
    run_sql(
        connection,
        "30_profile/ranked_reading",
        {
            "register_files": literals([*register, *next_register]),
            "month_files": [str(path) for path in register],
        },
    )
    if far_register:
        run_sql(connection, "30_profile/far_reading", {"far_files": literals(far_register)})


def _hand_over(
    connection: duckdb.DuckDBPyConnection,
    grid: GridMeters,
    interval: Sequence[Path],
    *,
    by_register: bool,
    all_: bool,
) -> bool:
    """Reduce what lies on a grid; hand the other meters' rows to SQL as `landed_read`.

    Returns whether rows are left to SQL.
    """
    if not interval:
        run_sql(connection, "30_profile/landed_read_none")
        return all_
    files = {"interval_files": literals(interval)}
    rows = sum(pq.read_metadata(path).num_rows for path in interval)
    if all_ or not 0 < rows <= MOST_ROWS:
        run_sql(connection, "30_profile/landed_read", files)
        return True
    lake = lake_columns.lake_reads(interval)
    reads = lake.reads
    left = grid.take(reads, reads.irregular() | _in_register(connection, reads, by_register))
    is_left = bool(left.any())
    for path, of_file in zip(interval, lake.rows_of_file, strict=True):
        gal = reads.gal[of_file]
        if is_left:
            gal = gal[~left[reads.meter[of_file]]]
        if len(gal):
            grid.landed(path.stem, len(gal), sum_in_any_order(gal))
    if is_left:
        connection.register("handed_meter", pa.table({"meter_id": pa.array(reads.names[left])}))
        landed = sql_text("30_profile/landed_read").rstrip().rstrip(";")
        connection.execute(f"{landed}\nwhere {_IS_HANDED}", files)
    elif by_register:
        run_sql(connection, "30_profile/landed_read_none")
    return is_left


def _in_register(
    connection: duckdb.DuckDBPyConnection, reads: GridReads, by_register: bool
) -> NDArray[np.bool_]:
    """Meters that also have register reads."""
    if not by_register:
        return np.zeros(len(reads.names), np.bool_)
    found = connection.execute("select distinct meter_id from ranked_reading").fetchall()
    return np.isin(reads.names, [meter for (meter,) in found])
