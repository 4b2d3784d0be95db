"""One partition's reads reduced to its profile tables.

Meters whose reads lie on a grid are reduced as matrices; all others, and the question which of
several reads counts, go through the statements of `sql/30_profile`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Final

import duckdb
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from pipelines.stages.profile import (
    grid_meters,
    grid_reads,
    grid_tables,
    lake_columns,
    profile_tables,
    register_reads,
)
from pipelines.stages.profile.grid_meters import GridMeters
from pipelines.stages.profile.profile_tables import TABLES, ordered_table
from pipelines.stages.profile.register_reads import RegisterReads
from pipelines.store.lake import lake_words
from pipelines.store.resources import sql_text
from pipelines.store.warehouse import literals, run_sql
from rightsize.demand import (
    bands,
    month_grid,
    month_readings,
    month_register_step,
    month_statistics,
)
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
    lake_words,
    profile_tables,
    register_reads,
    month_grid,
    month_readings,
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
    files = _RegisterFiles(register, next_register, far_register)
    registers = None if sql_only else files.read()
    if register and registers is None:
        files.rank(connection)
    is_left = _hand_over(
        connection, grid, interval, _read_meters(connection, files, registers), all_=sql_only
    )
    if registers is None:
        by_register = bool(register)
    else:
        by_register = _hand_over_registers(connection, grid, files, registers)
    if not is_left and not by_register:
        return grid.with_rows(_tables_without_rows())
    if by_register:
        run_sql(connection, "30_profile/interval_from_register")
    else:
        run_sql(connection, "30_profile/ranked_reading_none")
    _run(connection, grid, timezone, sql_only=sql_only)
    return grid.with_rows({name: ordered_table(connection, name) for name in TABLES})


def _run(
    connection: duckdb.DuckDBPyConnection, grid: GridMeters, timezone: str, *, sql_only: bool
) -> None:
    """Make the `TABLES` of `landed_read` and `ranked_reading` in the connection."""
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
    "interval_from_register",
    *_RESOLVED,
    "current_read",
    "grid_again",
    *_REDUCED,
    *TABLES,
)


@dataclass(frozen=True)
class _RegisterFiles:
    """Register files of a month, of the next one, and of months where a gap ends."""

    month: Sequence[Path]
    next_month: Sequence[Path]
    far: Sequence[Path]

    def read(self) -> RegisterReads | None:
        """Their readings, if there are any and they fit into memory."""
        rows = sum(pq.read_metadata(p).num_rows for p in (*self.month, *self.next_month))
        of_month = sum(pq.read_metadata(p).num_rows for p in self.month)
        if not of_month or rows > MOST_ROWS:
            return None
        return lake_columns.lake_readings(self.month, self.next_month)

    def rank(self, connection: duckdb.DuckDBPyConnection, *, only_handed: bool = False) -> None:
        """Readings as `ranked_reading`, of all meters or of those in `handed_register`."""
        ranked = sql_text("30_profile/ranked_reading").rstrip().rstrip(";")
        if only_handed:
            ranked += "\nwhere meter_id in (select meter_id from handed_register)"
        month = [str(path) for path in self.month]
        files = literals([*self.month, *self.next_month])
        connection.execute(ranked, {"register_files": files, "month_files": month})
        if self.far:
            run_sql(connection, "30_profile/far_reading", {"far_files": literals(self.far)})


def _read_meters(
    connection: duckdb.DuckDBPyConnection,
    files: _RegisterFiles,
    registers: RegisterReads | None,
) -> Sequence[str]:
    """Meters that have register readings."""
    if registers is not None:
        return list(registers.reads.names)
    if not files.month:
        return ()
    found = connection.execute("select distinct meter_id from ranked_reading").fetchall()
    return [meter for (meter,) in found]


def _hand_over_registers(
    connection: duckdb.DuckDBPyConnection,
    grid: GridMeters,
    files: _RegisterFiles,
    registers: RegisterReads,
) -> bool:
    """Reduce plain differences; hand the other meters' readings to SQL as `ranked_reading`.

    Meters with interval reads too, whose rows are in `landed_read`, and those that a later
    month than the next may continue, are left to SQL. Returns whether any is.
    """
    names = registers.reads.names
    both = connection.execute("select distinct meter_id from landed_read").fetchall()
    chosen = ~np.isin(names, [meter for (meter,) in both])
    if files.far:
        chosen &= registers.in_next
    left = grid.take_registers(registers, [path.stem for path in files.month], chosen)
    if not left.any():
        return False
    connection.register("handed_register", pa.table({"meter_id": pa.array(names[left])}))
    files.rank(connection, only_handed=True)
    return True


def _hand_over(
    connection: duckdb.DuckDBPyConnection,
    grid: GridMeters,
    interval: Sequence[Path],
    by_register: Sequence[str],
    *,
    all_: bool,
) -> bool:
    """Reduce what lies on a grid; hand the other meters' rows to SQL as `landed_read`.

    `by_register` are meters that have register readings too. Returns whether rows are left.
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
    left = grid.take(reads, reads.irregular() | np.isin(reads.names, by_register))
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
