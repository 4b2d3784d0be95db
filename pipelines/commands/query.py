"""Read-only questions to the published results.

Read-only by construction: the file is attached read-only, always under the name `results`; the
connection reaches no other file, no network, extension or Python object, and its settings are
locked; and a statement is taken only if DuckDB's own parser calls it a question.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final, TextIO

import duckdb
import pyarrow as pa

from pipelines.commands.query_output import Format, write_answer
from pipelines.stages.publish.contract_sql import quoted
from rightsize.errors import QueryError

MEMORY_LIMIT: Final = "2GB"
_ALLOWED: Final = ("SELECT", "EXPLAIN", "MULTI")  # MULTI: a pivot, run in two steps
_LOCKED_CONFIG: Final[dict[str, str | bool | int | float | list[str]]] = {
    "python_enable_replacements": "false",
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
    "allow_community_extensions": "false",
    "memory_limit": MEMORY_LIMIT,
}
_TABLES = """
select
    table_name as "table",
    case when kind = 'view' then 'view' else 'table' end as kind,
    comment as meaning
from (
    select table_name, 'table' as kind, comment
    from duckdb_tables()
    where database_name = 'results'
    union all
    select view_name, 'view', comment from duckdb_views()
    where database_name = 'results' and not internal
)
order by kind, table_name
"""
_COLUMNS = """
select column_name as "column", data_type as type, comment as meaning
from duckdb_columns()
where table_name = '{table}' and database_name = 'results'
order by column_index
"""


def run_query(
    results: Path,
    sql: str,
    *,
    format: Format = "table",
    limit: int | None = None,
    to: Path | None = None,
    stream: TextIO | None = None,
) -> int:
    """Answer one question from the published results; returns the rows written.

    Parameters
    ----------
    results : path
        The published database.
    format : table, csv, json or parquet
        How the answer is written; parquet needs `to`.
    limit : int, optional
        At most so many rows; None writes all.
    to : path, optional
        File to write; otherwise `stream`, or standard output.

    Raises
    ------
    QueryError
        If nothing is published, the statement is no question, or DuckDB refuses it.
    """
    check_question(sql)
    with open_results(results) as connection:
        return write_answer(_answer(connection, sql), format, limit, to, stream or sys.stdout)


def describe(
    results: Path,
    table: str | None = None,
    *,
    format: Format = "table",
    to: Path | None = None,
    stream: TextIO | None = None,
) -> int:
    """What the results hold: every table and view, or every column of one, with its meaning.

    Raises
    ------
    QueryError
        If nothing is published or the table is not in it; the text names those that are.
    """
    if table is None:
        return run_query(results, _TABLES, format=format, to=to, stream=stream)
    name = table.rpartition(".")[2].strip().lower()
    with open_results(results) as connection:
        held = [r[0] for r in connection.execute(_TABLES).fetchall()]
    if name not in held:
        raise QueryError(f"no table {table!r} in the results; there are: {', '.join(held)}")
    return run_query(results, _COLUMNS.format(table=name), format=format, to=to, stream=stream)


@contextmanager
def open_results(results: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection that can read the published results and nothing else.

    Raises
    ------
    QueryError
        If there is nothing published or the file is no database.
    """
    if not results.is_file():
        raise QueryError(f"{results}: nothing is published yet; run a sweep first")
    connection = duckdb.connect(config=_LOCKED_CONFIG)
    try:
        connection.execute("set TimeZone = 'UTC'")
        connection.execute(f"attach {quoted(str(results))} as results (read_only)")
        connection.execute("use results")
        connection.execute("set enable_external_access = false")
        connection.execute("set lock_configuration = true")
    except duckdb.Error as error:
        connection.close()
        raise QueryError(f"{results} cannot be read: {_first_line(error)}") from None
    try:
        yield connection
    finally:
        connection.close()


def check_question(sql: str) -> None:
    """Refuse all but one statement that only asks.

    Raises
    ------
    QueryError
        Saying what was found instead.
    """
    try:
        statements = duckdb.extract_statements(sql)
    except duckdb.Error as error:
        raise QueryError(f"the query is not understood: {error}") from None
    if not statements:
        raise QueryError('no query was given; try "select * from flagged_account limit 20"')
    if len(statements) > 1:
        raise QueryError(f"one query at a time; got {len(statements)} statements")
    kind = statements[0].type.name
    if kind not in _ALLOWED or (kind == "MULTI" and not re.search(r"(?i)\bpivot\b", sql)):
        raise QueryError(f"{kind} is refused: results are read-only; ask with select or from")
    if statements[0].named_parameters:
        raise QueryError("a query with parameters ($1, ?) cannot be answered; write the values")


def _answer(connection: duckdb.DuckDBPyConnection, sql: str) -> pa.RecordBatchReader:
    try:
        return connection.sql(sql).to_arrow_reader(10_000)
    except duckdb.PermissionException as error:
        raise QueryError(
            "refused: a query reads the published tables only, no file, network or extension"
            f" ({_first_line(error)})"
        ) from None
    except duckdb.Error as error:
        text = str(error).strip()
        if "read-only" in text:
            text = f"refused: the results are read-only ({_first_line(error)})"
        raise QueryError(text) from None


def _first_line(error: Exception) -> str:
    return str(error).strip().splitlines()[0]
