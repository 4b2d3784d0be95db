"""The meters of a partition whose reads lie on a grid, and their rows of the tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import duckdb
import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipelines.stages.profile.grid_reads import GridReads, matrices
from pipelines.stages.profile.grid_tables import grid_tables
from pipelines.stages.profile.profile_tables import joined_tables
from pipelines.stages.profile.register_reads import (
    RegisterReads,
    register_matrices,
    volumes_by_row,
)
from pipelines.store.warehouse import run_sql
from rightsize.demand.month_grid import sum_in_any_order


class GridMeters:
    """Reduces meters as matrices; holds their rows until the tables of the others exist."""

    def __init__(self, connection: duckdb.DuckDBPyConnection, timezone: str) -> None:
        self._connection, self._timezone = connection, timezone
        self._tables: dict[str, list[pa.Table]] = {}
        self._landed: list[tuple[str, str, int, float]] = []

    def take(self, reads: GridReads, irregular: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Reduce the meters that lie on a grid; returns those that do not."""
        left = irregular.copy()
        for matrix in matrices(reads, ~irregular, self._timezone):
            left[matrix.meters[matrix.repeated]] = True
            names, peak_gpm = reads.names[matrix.meters], reads.peak_gpm[matrix.meters]
            self._add(grid_tables(matrix, names, peak_gpm, self._local))
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

    def take_registers(
        self, registers: RegisterReads, hashes: Sequence[str], chosen: NDArray[np.bool_]
    ) -> NDArray[np.bool_]:
        """Reduce those of the chosen meters whose volumes are plain differences.

        `hashes` are those of the month's files. Returns meters of the month that are left.
        """
        reads, left = registers.reads, registers.in_month
        volume_gal = np.zeros(registers.month_rows)
        for matrix in register_matrices(registers, chosen, self._timezone):
            none = np.full(len(matrix.meters), np.nan)
            self._add(grid_tables(matrix, reads.names[matrix.meters], none, self._local))
            left[matrix.meters[~matrix.repeated]] = False
            volumes_by_row(registers, matrix, volume_gal)
        for file_hash, rows in zip(hashes, registers.rows_of_file, strict=True):
            taken = ~left[reads.meter[rows]]
            volume = sum_in_any_order(volume_gal[rows])
            self._landed.append(("register", file_hash, int(taken.sum()), volume))
        return left

    def _add(self, made: Mapping[str, pa.Table]) -> None:
        for name, table in made.items():
            self._tables.setdefault(name, []).append(table)

    def landed(self, file_hash: str, rows: int, gal: float) -> None:
        """Reads of a file that no other read supersedes, for the balance."""
        self._landed.append(("interval", file_hash, rows, gal))

    def with_rows(self, tables: Mapping[str, pa.Table]) -> dict[str, pa.Table]:
        """The tables of all other meters with these meters' rows, in order."""
        found = {
            name: joined_tables(self._connection, name, made, self._tables.get(name, []))
            for name, made in tables.items()
        }
        if self._landed:
            kinds, hashes, rows, gal = zip(*self._landed, strict=True)
            landed = pa.table({"kind": kinds, "file_hash": hashes, "rows": rows, "gal": gal})
            self._connection.register("grid_balance", landed)
            self._connection.register("other_balance", found["balance"])
            total = self._connection.sql(_BALANCE).to_arrow_table()
            found["balance"] = total.cast(found["balance"].schema)
        return found

    def _local(self, at_us: NDArray[np.int64]) -> NDArray[np.int64]:
        self._connection.register("moments", pa.table({"at_us": at_us}))
        found = self._connection.execute(
            "select epoch_us(timezone($timezone, make_timestamptz(at_us))) as local_us"
            " from moments order by at_us",
            {"timezone": self._timezone},
        ).fetchnumpy()
        return np.asarray(found["local_us"], dtype=np.int64)


_BALANCE: Final = """
select
    kind,
    file_hash,
    sum(rows)::bigint as rows,
    sum(current_rows)::bigint as current_rows,
    sum(superseded_rows)::bigint as superseded_rows,
    sum(current_gal) as current_gal,
    sum(superseded_gal) as superseded_gal
from (
    select * from other_balance
    union all by name
    select
        kind,
        file_hash,
        rows,
        rows as current_rows,
        0 as superseded_rows,
        gal as current_gal,
        0 as superseded_gal
    from grid_balance
)
group by kind, file_hash
order by kind, file_hash
"""


def _again(found: dict[str, NDArray[Any]]) -> GridReads:
    names, first, meter = np.unique(found.pop("meter"), return_index=True, return_inverse=True)
    peaks = np.ma.filled(found.pop("peak_gpm"), np.nan)
    peak_gpm = np.full(len(names), np.nan)
    np.fmax.at(peak_gpm, meter, peaks)
    named = found.pop("meter_id")[first]
    return GridReads(names=named, peak_gpm=peak_gpm, meter=meter.astype(np.int32), **found)
