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
from typing import Any, Final

import duckdb
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from pipelines.stages.profile import grid_reads, grid_tables
from pipelines.stages.profile.grid_reads import GridReads, matrices
from pipelines.store.resources import sql_text
from pipelines.store.warehouse import literals, run_sql
from rightsize.demand import bands, month_grid, month_statistics, register_volumes

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
Rows = dict[str, NDArray[Any]]
_RESOLVED: Final = ("meter_key", "keyed_read", "superseded_read")
_REDUCED: Final = ("deviation", "hour_read", "day_read", "register_volume")
_MODULES: Final[tuple[ModuleType, ...]] = (
    grid_reads,
    grid_tables,
    month_grid,
    month_statistics,
    register_volumes,
)


def reduce_partition(
    connection: duckdb.DuckDBPyConnection,
    *,
    interval: Sequence[Path],
    register: Sequence[Path],
    next_register: Sequence[Path] = (),
    far_register: Sequence[Path] = (),
    timezone: str,
) -> None:
    """Make the `TABLES` of one partition's files in the connection."""
    _readings(connection, register, next_register, far_register)
    grid = _Grid(connection, timezone)
    _hand_over(connection, grid, interval)
    if register:
        run_sql(connection, "30_profile/interval_from_register")
    for relation in _RESOLVED:
        run_sql(connection, f"30_profile/{relation}")
    run_sql(connection, "30_profile/current_read", {"timezone": timezone})
    grid.take_again()
    for relation in _REDUCED:
        run_sql(connection, f"30_profile/{relation}")
    grid.give_volumes()
    for relation in ("register_step", "month_stat"):
        run_sql(connection, f"30_profile/{relation}")
    run_sql(connection, "30_profile/month_band", BAND_PARAMETERS)
    for relation in ("day_flow", "balance", "stuck_register", "replaced_read"):
        run_sql(connection, f"30_profile/{relation}")
    grid.give_rows()


@cache
def method_digest() -> str:
    """Digest of the statements and modules that make a profile."""
    names = sorted({*_ALL_STATEMENTS})
    digest = hashlib.sha256("\n".join(sql_text(f"30_profile/{n}") for n in names).encode())
    for module in (*_MODULES,):
        digest.update(Path(str(module.__file__)).read_bytes())
    digest.update(Path(__file__).read_bytes())
    return digest.hexdigest()


_ALL_STATEMENTS: Final = (
    "landed_read",
    "landed_read_none",
    "grid_meter",
    "grid_read",
    "grid_peak",
    "handed_read",
    "ranked_reading",
    "ranked_reading_none",
    "far_reading",
    "interval_from_register",
    *_RESOLVED,
    "current_read",
    "grid_again",
    *_REDUCED,
    "register_step",
    *TABLES,
)


class _Grid:
    """The meters reduced as matrices, and their rows until the SQL tables exist."""

    def __init__(self, connection: duckdb.DuckDBPyConnection, timezone: str) -> None:
        self._connection, self._timezone = connection, timezone
        self._tables: dict[str, list[pa.Table]] = {}
        self._landed: list[tuple[str, int, float]] = []

    def take(self, reads: GridReads, irregular: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Reduce the meters that lie on a grid; returns those that do not."""
        left = irregular.copy()
        for matrix in matrices(reads, ~irregular):
            left[matrix.meters[matrix.repeated]] = True
            made = grid_tables.grid_tables(
                matrix, reads.names[matrix.meters], reads.peak_gpm[matrix.meters], self._local
            )
            for name, table in made.items():
                self._tables.setdefault(name, []).append(table)
        return left

    def take_again(self) -> None:
        """Reduce meters that lie on a grid now that it is known which read counts."""
        run_sql(self._connection, "30_profile/grid_again")
        found = self._connection.sql("from grid_again").fetchnumpy()
        if not len(found["meter"]):
            return
        reads = _again(found)
        left = self.take(reads, reads.irregular())
        taken = reads.names[~left].tolist()
        self._connection.execute(
            "delete from current_read where meter_key in (select meter_key from meter_key"
            " where meter_id in (select unnest($taken::varchar[])))",
            {"taken": taken},
        )

    def landed(self, file_hash: str, rows: int, gal: float) -> None:
        """Reads of a file that no other read supersedes, for the balance."""
        self._landed.append((file_hash, rows, gal))

    def give_volumes(self) -> None:
        """Add the meters' keys and volumes, from which the register's step is learned."""
        if not self._tables:
            return
        volumes = pa.concat_tables(self._tables["register_volume"])
        self._connection.register("grid_volume", volumes)
        names = pa.concat_tables(t.select(["meter_id"]) for t in self._tables["month_stat"])
        self._connection.register("grid_name", names)
        self._connection.execute(
            "insert into meter_key select meter_id, (select coalesce(max(meter_key), 0)"
            " from meter_key) + row_number() over (order by meter_id)"
            " from (select meter_id from grid_name except select meter_id from meter_key)"
        )
        self._connection.execute(
            "insert into register_volume by name select meter_key, gal, read_count"
            " from grid_volume join meter_key using (meter_id)"
        )

    def give_rows(self) -> None:
        """Add the meters' rows to the tables."""
        for name in ("month_stat", "month_band", "day_flow") if self._tables else ():
            self._connection.register("grid_rows", pa.concat_tables(self._tables[name]))
            step = (
                "select grid_rows.*, register_step.step_gal from grid_rows"
                " join meter_key using (meter_id) left join register_step using (meter_key)"
            )
            rows = step if name == "month_stat" else "from grid_rows"
            self._connection.execute(f"insert into {name} by name {rows}")
        if self._landed:
            hashes, rows_, gal = zip(*self._landed, strict=True)
            self._connection.register(
                "grid_balance", pa.table({"file_hash": hashes, "rows": rows_, "gal": gal})
            )
            self._connection.execute(_BALANCE)

    def _local(self, at_us: NDArray[np.int64]) -> NDArray[np.int64]:
        self._connection.register("moments", pa.table({"at_us": at_us}))
        found = self._connection.execute(
            "select epoch_us(timezone($timezone, make_timestamptz(at_us))) as local_us"
            " from moments order by at_us",
            {"timezone": self._timezone},
        ).fetchnumpy()
        return np.asarray(found["local_us"], dtype=np.int64)


_BALANCE: Final = """
create or replace temp table balance as
select
    kind,
    file_hash,
    sum(rows)::bigint as rows,
    sum(current_rows)::bigint as current_rows,
    sum(superseded_rows)::bigint as superseded_rows,
    sum(current_gal) as current_gal,
    sum(superseded_gal) as superseded_gal
from (
    select * from balance
    union all by name
    select
        'interval' as kind,
        file_hash,
        rows,
        rows as current_rows,
        0 as superseded_rows,
        gal as current_gal,
        0 as superseded_gal
    from grid_balance
)
group by kind, file_hash
"""


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
    connection: duckdb.DuckDBPyConnection, grid: _Grid, interval: Sequence[Path]
) -> None:
    """Reduce what lies on a grid; hand the other meters' rows to SQL as `landed_read`."""
    if not interval:
        run_sql(connection, "30_profile/landed_read_none")
        return
    if sum(pq.read_metadata(path).num_rows for path in interval) > MOST_ROWS:
        files = {"interval_files": literals(interval)}
        run_sql(connection, "30_profile/landed_read", files)
        return
    files = {"interval_files": literals(interval)}
    run_sql(connection, "30_profile/grid_meter", files)
    by_file = [_fetch(connection, "grid_read", {"file": literals([path])}) for path in interval]
    reads = _reads(connection, by_file, files)
    registers = connection.execute("select distinct meter_id from ranked_reading").fetchall()
    in_register = np.isin(reads.names, [meter for (meter,) in registers])
    left = grid.take(reads, reads.irregular() | in_register)
    for path, rows in zip(interval, by_file, strict=True):
        taken = ~left[rows["meter"]]
        if taken.any():
            grid.landed(path.stem, np.count_nonzero(taken), np.nansum(rows["gal"][taken]))
    if left.any():
        connection.register("handed_meter", pa.table({"meter_id": pa.array(reads.names[left])}))
        run_sql(connection, "30_profile/handed_read", files)
    else:
        run_sql(connection, "30_profile/landed_read_none")


def _reads(
    connection: duckdb.DuckDBPyConnection, by_file: list[Rows], files: dict[str, Any]
) -> GridReads:
    names = connection.sql("select meter_id from grid_meter order by meter").fetchnumpy()
    peaks = _fetch(connection, "grid_peak", files)
    peak_gpm = np.full(len(names["meter_id"]), np.nan)
    peak_gpm[peaks["meter"]] = peaks["peak_gpm"]
    columns = {name: np.concatenate([rows[name] for rows in by_file]) for name in by_file[0]}
    return GridReads(names=names["meter_id"], peak_gpm=peak_gpm, **columns)


def _again(found: Rows) -> GridReads:
    names, first, meter = np.unique(found.pop("meter"), return_index=True, return_inverse=True)
    peaks = np.ma.filled(found.pop("peak_gpm"), np.nan)
    peak_gpm = np.full(len(names), -np.inf)
    rows = np.flatnonzero(~np.isnan(peaks))
    np.maximum.at(peak_gpm, meter[rows], peaks[rows])
    named = found.pop("meter_id")[first]
    peak_gpm[np.isinf(peak_gpm)] = np.nan
    return GridReads(names=named, peak_gpm=peak_gpm, meter=meter, **found)


def _fetch(
    connection: duckdb.DuckDBPyConnection, statement: str, parameters: dict[str, Any]
) -> Rows:
    found = connection.execute(sql_text(f"30_profile/{statement}"), parameters)
    return dict(found.fetchnumpy())
