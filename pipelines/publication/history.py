"""Carries the history of the publication before into the one being built.

Kept are the newest sweeps: all their tables for `keep_sweeps` sweeps, the bulky ones
(candidate, flow_band) for `keep_detail_sweeps`. Rows are copied as they were published; only
when the units of publication changed are they converted.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import cast

import duckdb

from pipelines.publication.contract_sql import in_units, quoted, select_list
from rightsize.contracts.results import RESULT_TABLES
from rightsize.contracts.table import Table
from rightsize.errors import ContractError
from rightsize.units import UnitSystem


def carry_over(
    connection: duckdb.DuckDBPyConnection,
    previous: Path,
    *,
    sweep_id: str,
    units: UnitSystem,
    keep_sweeps: int,
    keep_detail_sweeps: int,
) -> None:
    """Copy what is kept of `previous` into the open database; nothing if there is none.

    Raises
    ------
    ContractError
        If the publication before cannot be read, or holds a later sweep than `sweep_id`.
    """
    if not previous.exists():
        return
    try:
        connection.execute(f"attach {quoted(str(previous))} as previous (read_only)")
    except duckdb.Error as error:
        raise ContractError(
            f"{previous} cannot be read, so its history cannot be carried over: {error}; "
            "move it away to begin a new history"
        ) from None
    try:
        held = _held_sweeps(connection, previous, sweep_id)
        source = _units(connection)
        for table in RESULT_TABLES:
            if table.has_history:
                kept = held[: (keep_detail_sweeps if table.is_detail else keep_sweeps) - 1]
                _copy(connection, table, kept, source, units)
    finally:
        connection.execute("detach previous")


def _held_sweeps(
    connection: duckdb.DuckDBPyConnection, previous: Path, sweep_id: str
) -> list[str]:
    rows = connection.execute(
        "select sweep_id from previous.sweep order by sweep_id desc"
    ).fetchall()
    held = [r[0] for r in rows if r[0] != sweep_id]
    if held and held[0] > sweep_id:
        raise ContractError(
            f"sweep {sweep_id} is older than sweep {held[0]} in {previous}: is the clock right?"
        )
    return held


def _units(connection: duckdb.DuckDBPyConnection) -> UnitSystem:
    row = connection.execute(
        "select units from previous.sweep order by sweep_id desc limit 1"
    ).fetchone()
    return cast(UnitSystem, row[0]) if row else "us"


def _copy(
    connection: duckdb.DuckDBPyConnection,
    table: Table,
    kept: Sequence[str],
    source: UnitSystem,
    units: UnitSystem,
) -> None:
    present = _columns(connection, table)
    if not kept or not present:
        return
    values = select_list(table.columns, present, source=source, target=units)
    if table.name == "sweep":
        values = values.replace("(units)", quoted(units))
    names = ", ".join(in_units(table, units).column_names)
    sweeps = ", ".join(quoted(s) for s in kept)
    connection.execute(
        f"insert into results.{table.name} ({names}) select {values}"
        f" from previous.{table.name} where sweep_id in ({sweeps})"
    )


def _columns(connection: duckdb.DuckDBPyConnection, table: Table) -> set[str]:
    rows = connection.execute(
        "select column_name from duckdb_columns() where database_name = 'previous'"
        " and schema_name = 'main' and table_name = ?",
        [table.name],
    ).fetchall()
    return {r[0] for r in rows}
