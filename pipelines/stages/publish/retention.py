"""Which sweeps of a publication are kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import duckdb

from rightsize.contracts.table import Table
from rightsize.errors import ContractError


@dataclass(frozen=True)
class HeldSweep:
    """A sweep in a publication, and the month in which it began (UTC, `YYYY-MM`)."""

    sweep_id: str
    month: str


@dataclass(frozen=True)
class Retention:
    """What is kept, with the sweep being published counted as the newest.

    The `sweeps` newest sweeps are kept in full, and the last sweep of each of the `months`
    newest months that have one; of the large tables only `detail_sweeps` newest sweeps.
    """

    sweeps: int = 14
    months: int = 36
    detail_sweeps: int = 2

    def kept(self, table: Table, held: Sequence[HeldSweep], *, month: str) -> list[str]:
        """Of these sweeps, newest first, those whose rows of `table` are kept.

        `month` is that of the sweep being published.
        """
        if table.is_detail:
            return [s.sweep_id for s in held[: self.detail_sweeps - 1]]
        ends = {month: ""}
        for sweep in held:
            ends.setdefault(sweep.month, sweep.sweep_id)
        last = {ends[m] for m in sorted(ends, reverse=True)[: self.months]}
        newest = {s.sweep_id for s in held[: self.sweeps - 1]}
        return [s.sweep_id for s in held if s.sweep_id in newest | last]


def held_sweeps(
    connection: duckdb.DuckDBPyConnection, database: str, sweep_id: str
) -> list[HeldSweep]:
    """Sweeps in a database other than `sweep_id`, newest first.

    Raises
    ------
    ContractError
        If one of them is later: the newest sweep would not be the latest.
    """
    rows = connection.execute(
        "select sweep_id, strftime(started_at at time zone 'UTC', '%Y-%m')"
        f" from {database}.sweep order by sweep_id desc"
    ).fetchall()
    held = [HeldSweep(*row) for row in rows if row[0] != sweep_id]
    if held and held[0].sweep_id > sweep_id:
        raise ContractError(
            f"sweep {sweep_id} is older than the published sweep {held[0].sweep_id}; "
            "check the system clock"
        )
    return held
