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

from pipelines.stages.profile import grid_meters, grid_reads, grid_tables, lake_columns
from pipelines.stages.profile.grid_meters import GridMeters
from pipelines.store.resources import sql_text
from pipelines.store.warehouse import literals, run_sql
from rightsize.demand import bands, month_grid, month_register_step, month_statistics
from rightsize.demand.month_grid import sum_in_any_order

TABLES: Final = {
    "month_stat": "meter_id, interval_min",
    "month_band": "meter_id, kind, interval_min, band",
    "day_flow": "meter_id, day_on",
    "balance": "kind, file_hash",
    "stuck_register": "meter_id, from_at",
    "replaced_read": "meter_id",
}
"""The tables of a profile, and the order of their rows."""
BAND_PARAMETERS: Final = {
    "first_edge_gpm": bands.FIRST_EDGE_GPM,
    "bands_per_decade": bands.BANDS_PER_DECADE,
    "band_count": bands.BAND_COUNT,
}
MOST_ROWS: Final = 16_000_000
"""Rows of a partition held in memory (1 GB); one with more goes through SQL, which spills."""
_RESOLVED: Final = ("meter_key", "keyed_read", "superseded_read")
_REDUCED: Final = ("deviation", "hour_read", "day_read", "register_step", "month_stat")
_MODULES: Final[tuple[ModuleType, ...]] = (
    grid_meters,
    grid_reads,
    grid_tables,
    lake_columns,
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
) -> None:
    """Make the `TABLES` of one partition's files in the connection.

    `sql_only` sends every meter through SQL: the reference that matrices are tested against.
    """
    _readings(connection, register, next_register, far_register)
    grid = GridMeters(connection, timezone)
    _hand_over(connection, grid, interval, sql_only)
    if register:
        run_sql(connection, "30_profile/interval_from_register")
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
    grid.give_rows()


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
    "handed_read",
    "ranked_reading",
    "ranked_reading_none",
    "far_reading",
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
    if not register:
        run_sql(connection, "30_profile/ranked_reading_none")
        return
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
    sql_only: bool,
) -> None:
    """Reduce what lies on a grid; hand the other meters' rows to SQL as `landed_read`."""
    if not interval:
        run_sql(connection, "30_profile/landed_read_none")
        return
    files = {"interval_files": literals(interval)}
    rows = sum(pq.read_metadata(path).num_rows for path in interval)
    if sql_only or not 0 < rows <= MOST_ROWS:
        run_sql(connection, "30_profile/landed_read", files)
        return
    lake = lake_columns.lake_reads(interval)
    reads = lake.reads
    registers = connection.execute("select distinct meter_id from ranked_reading").fetchall()
    in_register = np.isin(reads.names, [meter for (meter,) in registers])
    left = grid.take(reads, reads.irregular() | in_register)
    for path, of_file in zip(interval, lake.rows_of_file, strict=True):
        gal = reads.gal[of_file]
        if left.any():
            gal = gal[~left[reads.meter[of_file]]]
        if len(gal):
            grid.landed(path.stem, len(gal), sum_in_any_order(gal))
    if left.any():
        connection.register("handed_meter", pa.table({"meter_id": pa.array(reads.names[left])}))
        run_sql(connection, "30_profile/handed_read", files)
    else:
        run_sql(connection, "30_profile/landed_read_none")
