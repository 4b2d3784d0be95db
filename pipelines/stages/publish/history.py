"""Copies the history of the previous publication into the one being built.

The newest sweeps are kept and, for the months before them, the last sweep of each: a utility
that publishes every night keeps years without keeping every night. The large tables
(candidate, flow_band) are kept for fewer sweeps. The fast path copies the file and deletes what
is not kept. If the contract or the units have changed, or half of the file is empty, the slow
path copies row by row into a new file, and converts.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from types import MappingProxyType
from typing import Final

import duckdb

from pipelines.stages.publish.contract_sql import (
    create_table,
    in_units,
    only_row,
    quoted,
    select_list,
)
from pipelines.stages.publish.held_contract import (
    columns_of,
    has_contract,
    has_storage_version,
    units_of,
)
from pipelines.stages.publish.publication_note import is_as_published, noted_rows
from pipelines.stages.publish.retention import HeldSweep, Retention, held_sweeps
from pipelines.stages.publish.same_rows import RestsOn, taken_from
from pipelines.store.warehouse import damage_of, is_damage
from rightsize.contracts.results import RESULT_TABLES, SWEEP
from rightsize.contracts.table import Table
from rightsize.errors import ConfigError, ContractError
from rightsize.units import UnitSystem

MAX_EMPTY_SHARE: Final = 0.5


def open_with_history(
    previous: Path,
    database: Path,
    connect: Callable[[Path], duckdb.DuckDBPyConnection],
    *,
    newest: HeldSweep,
    units: UnitSystem,
    retention: Retention,
    now: RestsOn = MappingProxyType({}),
) -> tuple[duckdb.DuckDBPyConnection, frozenset[str]]:
    """A new database with every table, and the history kept from the previous publication.

    Parameters
    ----------
    now
        What the new sweep's rows of large tables rest on. Names of those tables whose rows were
        found in the previous publication are returned: they hold the new sweep's rows already.

    Raises
    ------
    DamageError
        If the previous publication cannot be read.
    ContractError
        If it holds a later sweep than `newest`, the one being published, or its history cannot
        be kept.
    OSError
        If the disk is full; the previous publication is intact.
    """
    if not previous.exists():
        connection = connect(database)
        _create_tables(connection, units)
        return connection, frozenset()
    try:
        shutil.copyfile(previous, database)
        is_known = is_as_published(previous, database)
        connection = connect(database)
        if not is_known:
            read_through(connection, "results")
        noted = noted_rows(previous.parent) if is_known else {}
        held = continue_history(
            connection,
            newest=newest,
            units=units,
            retention=retention,
            same=partial(taken_from, now, noted),
        )
        if held is not None:
            return connection, held
        connection.close()
        database.unlink()
        connection = connect(database)
        _create_tables(connection, units)
        carry_over(connection, previous, newest=newest, units=units, retention=retention)
    except duckdb.InterruptException:
        raise
    except duckdb.Error as error:
        if is_damage(error):
            raise damage_of(previous, error) from None
        with open_held(previous):  # raises if that file is damaged
            first = str(error).strip().splitlines()[0]
        raise ContractError(
            f"the history of {previous} cannot be kept: {first}; the file is unchanged"
        ) from None
    return connection, frozenset()


@contextmanager
def open_held(results: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """The published database, read-only, checked to have its sweeps.

    Raises
    ------
    DamageError
        If it cannot be read; the message says what to do.
    ConfigError
        If it lacks a table or column: an earlier version has published it.
    """
    try:
        connection = duckdb.connect(str(results), read_only=True)
    except duckdb.Error as error:
        raise damage_of(results, error) from None
    is_ours = False
    try:
        connection.execute("select count(*), max(sweep_id) from results.sweep").fetchall()
        is_ours = True
        yield connection
    except (duckdb.CatalogException, duckdb.BinderException) as error:
        if not is_ours:
            raise damage_of(results, error) from None
        first = str(error).strip().splitlines()[0]
        raise ConfigError(
            f"{results}: published by an earlier version; run `rightsize sweep` first, which "
            f"keeps its history ({first})"
        ) from None
    except duckdb.InterruptException:
        raise
    except duckdb.Error as error:
        raise damage_of(results, error) from None
    finally:
        connection.close()


def read_through(connection: duckdb.DuckDBPyConnection, database: str) -> None:
    """Read every row of every table: DuckDB then verifies every block that holds one.

    Raises
    ------
    duckdb.Error
        If a block is damaged.
    """
    tables = connection.execute(
        "select schema_name, table_name from duckdb_tables() where database_name = ?"
        " order by all",
        [database],
    ).fetchall()
    for schema, table in tables:
        name = ".".join(f'"{part}"' for part in (database, schema, table))
        connection.execute(f"select bit_xor(hash(row_read)) from {name} as row_read").fetchall()


def _create_tables(connection: duckdb.DuckDBPyConnection, units: UnitSystem) -> None:
    for table in RESULT_TABLES:
        connection.execute(create_table(in_units(table, units)))


def continue_history(
    connection: duckdb.DuckDBPyConnection,
    *,
    newest: HeldSweep,
    units: UnitSystem,
    retention: Retention,
    same: Callable[[Table, list[str]], str | None] = lambda table, expired: None,
) -> frozenset[str] | None:
    """Delete from a copy of the previous publication what is not kept; None if unusable.

    Parameters
    ----------
    same
        Of a table and the sweeps whose rows expire, newest first, tells whose rows are those of
        `newest`. They take its name and stay; names of such tables are returned.

    Raises
    ------
    ContractError
        If it has a later sweep than `newest`.
    """
    is_fit = has_contract(connection, units) and has_storage_version(connection)
    if not is_fit or _empty_share(connection) > MAX_EMPTY_SHARE:
        return None
    held = held_sweeps(connection, "results", newest.sweep_id)
    found = set()
    for table in RESULT_TABLES:
        kept = retention.kept(table, held, month=newest.month) if table.has_history else []
        again = same(table, [s.sweep_id for s in held if s.sweep_id not in kept])
        stay = kept if again is None else [*kept, again]
        names = ", ".join(quoted(s) for s in stay)
        where = f"where sweep_id not in ({names})" if stay else ""
        connection.execute(f"delete from results.{table.name} {where}")
        if again is not None and _renamed(connection, table, again, newest.sweep_id):
            found.add(table.name)
    _drop_views(connection)
    connection.execute("checkpoint")  # so that new rows reuse the freed space
    return frozenset(found)


def _renamed(
    connection: duckdb.DuckDBPyConnection, table: Table, before: str, after: str
) -> bool:
    """Give rows of a sweep another sweep's name; whether there are any."""
    (count,) = only_row(
        connection,
        f"update results.{table.name} set sweep_id = {quoted(after)}"
        f" where sweep_id = {quoted(before)}",
    )
    return bool(count)


def carry_over(
    connection: duckdb.DuckDBPyConnection,
    previous: Path,
    *,
    newest: HeldSweep,
    units: UnitSystem,
    retention: Retention,
) -> None:
    """Copy what is kept of `previous`, row by row, into the tables of the open database.

    Raises
    ------
    ContractError
        If it has a later sweep than `newest`.
    """
    connection.execute(f"attach {quoted(str(previous))} as previous (read_only)")
    try:
        held = held_sweeps(connection, "previous", newest.sweep_id)
        source = units_of(connection, "previous")
        for table in RESULT_TABLES:
            if table.has_history:
                kept = retention.kept(table, held, month=newest.month)
                _copy(connection, table, kept, source, units)
    finally:
        connection.execute("detach previous")


def _empty_share(connection: duckdb.DuckDBPyConnection) -> float:
    row = connection.execute(
        "select free_blocks / greatest(total_blocks, 1) from pragma_database_size()"
        " where database_name = 'results'"
    ).fetchone()
    return float(row[0]) if row else 0.0


def _drop_views(connection: duckdb.DuckDBPyConnection) -> None:
    views = connection.execute(
        "select view_name from duckdb_views() where database_name = 'results' and not internal"
    ).fetchall()
    for (name,) in views:
        connection.execute(f"drop view results.{name}")


def _copy(
    connection: duckdb.DuckDBPyConnection,
    table: Table,
    kept: Sequence[str],
    source: UnitSystem,
    units: UnitSystem,
) -> None:
    present = {name for name, _, _ in columns_of(connection, "previous", table)}
    if not kept or not present:
        return
    values = select_list(table.columns, present, source=source, target=units)
    if table is SWEEP:  # this table states the units of its columns
        values = values.replace("(units)", quoted(units))
    names = ", ".join(in_units(table, units).column_names)
    sweeps = ", ".join(quoted(s) for s in kept)
    connection.execute(
        f"insert into results.{table.name} ({names}) select {values}"
        f" from previous.{table.name} where sweep_id in ({sweeps})"
    )
