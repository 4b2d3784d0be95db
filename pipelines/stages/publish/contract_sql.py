"""SQL that follows from a contract: tables, comments, unit changes, checks."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from typing import Any, Final

import duckdb

from rightsize.contracts.frames import Violation, promises
from rightsize.contracts.table import Column, ColumnType, Table
from rightsize.units import MM_PER_IN, UnitSystem
from rightsize.units.column_units import DN_MM, is_size, metric_factor, metric_name

SQL_TYPE: Final[dict[ColumnType, str]] = {
    "text": "varchar",
    "json": "json",
    "integer": "bigint",
    "number": "double",
    "boolean": "boolean",
    "date": "date",
    "timestamp": "timestamptz",
}


def quoted(text: str) -> str:
    """A SQL string literal."""
    return "'" + text.replace("'", "''") + "'"


def in_units(table: Table, units: UnitSystem) -> Table:
    """The table as it is published in these units."""
    return table if units == "us" else table.metric()


def create_table(table: Table) -> str:
    """The `create table` statement of a contract, in the published database."""
    columns = ", ".join(
        f"{c.name} {SQL_TYPE[c.type]}{' not null' if c.null == 'never' else ''}"
        for c in table.columns
    )
    return f"create table results.{table.name} ({columns})"


def comments(table: Table) -> Iterator[str]:
    """Statements that say in the database what the table and each column mean."""
    about = f"{table.meaning} Grain: {table.grain}. Key: {', '.join(table.key) or 'none'}."
    yield f"comment on table results.{table.name} is {quoted(about)}"
    for column in table.columns:
        target = f"results.{table.name}.{column.name}"
        yield f"comment on column {target} is {quoted(column.comment)}"


def value_sql(name: str, source: UnitSystem, target: UnitSystem) -> str:
    """A column's value, given its US name, read from `source` units and written in `target`."""
    held = name if source == "us" else metric_name(name)
    if source == target:
        return held
    if is_size(name):
        pairs = (
            DN_MM.items() if target == "metric" else ((mm, size) for size, mm in DN_MM.items())
        )
        cases = " ".join(f"when {a:g} then {b:g}" for a, b in pairs)
        other = (
            f"round({held} * {MM_PER_IN})" if target == "metric" else f"{held} / {MM_PER_IN}"
        )
        return f"case {held} {cases} else {other} end"
    factor = metric_factor(name)
    if factor is None:
        return held
    return f"{held} * {factor!r}" if target == "metric" else f"{held} / {factor!r}"


def select_list(
    columns: Collection[Column],
    present: Collection[str],
    *,
    source: UnitSystem,
    target: UnitSystem,
) -> str:
    """Columns (given by their US contract) cast, converted and named for publication.

    A column that the source lacks is null.
    """
    parts = []
    for column in columns:
        held = column.name if source == "us" else metric_name(column.name)
        value = value_sql(column.name, source, target) if held in present else "null"
        name = column.name if target == "us" else metric_name(column.name)
        parts.append(f"({value})::{SQL_TYPE[column.type]} as {name}")
    return ", ".join(parts)


def broken_promises(
    connection: duckdb.DuckDBPyConnection, table: Table, relation: str, where: str = "true"
) -> list[Violation]:
    """Contract rules that rows of a published relation break, with an example of each."""
    return [
        *_broken_rows(connection, table, relation, where),
        *_repeated_keys(connection, table, relation, where),
    ]


def _broken_rows(
    connection: duckdb.DuckDBPyConnection, table: Table, relation: str, where: str
) -> Iterator[Violation]:
    kept = promises(table, table.columns)
    every = " and ".join(f"coalesce({sql}, true)" for sql in kept.values())
    (broken,) = only_row(
        connection, f"select count(*) from {relation} where {where} and not ({every})"
    )
    if not broken:  # one combined test is four times as fast as separate tests
        return
    counts = ", ".join(f"count(*) filter (where not ({sql}))" for sql in kept.values())
    row = only_row(connection, f"select {counts} from {relation} where {where}")
    for name, rows in zip(kept, row, strict=True):
        if rows:
            example = _example(connection, table, relation, f"{where} and not ({kept[name]})")
            yield Violation(table.name, name, rows, example)


def _example(
    connection: duckdb.DuckDBPyConnection, table: Table, relation: str, where: str
) -> str:
    if not table.key:
        return ""
    shown = " || ', ' || ".join(f"'{k} ' || coalesce({k}::varchar, 'null')" for k in table.key)
    (text,) = only_row(connection, f"select min({shown}) from {relation} where {where}")
    return str(text)


def _repeated_keys(
    connection: duckdb.DuckDBPyConnection, table: Table, relation: str, where: str
) -> Iterator[Violation]:
    if not table.key:
        return
    key = ", ".join(table.key)
    rows, hashes = only_row(
        connection,
        f"select count(*), count(distinct hash({key})) from {relation} where {where}",
    )
    if rows == hashes:  # different hashes mean different keys; equal hashes are checked
        return
    (repeated,) = only_row(
        connection,
        "select coalesce(sum(n - 1), 0)::bigint from (select count(*) as n"
        f" from {relation} where {where} group by {key})",
    )
    if repeated:
        yield Violation(table.name, f"key ({key}) is unique", repeated)


def only_row(connection: duckdb.DuckDBPyConnection, statement: str) -> tuple[Any, ...]:
    """The one row of an answer."""
    (row,) = connection.execute(statement).fetchall()  # all: an open result would block others
    return tuple(row)
