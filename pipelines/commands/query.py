"""Read-only queries of the published results.

Read-only by construction: the file is attached read-only, always under the name `results`; the
connection reaches no other file, no network, extension or Python object, and its settings are
locked; and a statement runs only if DuckDB's own parser classifies it as a query.
"""

from __future__ import annotations

import os
import re
import shutil
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final, TextIO

import duckdb
import pyarrow as pa

from pipelines.commands.query_check import check_question
from pipelines.commands.query_output import Format, write_answer
from pipelines.store.leftovers import drop_of_the_dead, own_name
from pipelines.store.open_connections import interruptible
from pipelines.store.warehouse import damage_of, is_damage, quoted
from rightsize.errors import QueryError

_SPILL: Final = "rightsize-query"
MEMORY_LIMIT: Final = "2GB"
TIMEOUT_S: Final = 300.0
_LONGEST_S: Final = 1e9  # the platform's clock holds no more
SPILL_LIMIT: Final = "10GB"
_LOCKED_CONFIG: Final[dict[str, str | bool | int | float | list[str]]] = {
    "python_enable_replacements": "false",
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
    "allow_community_extensions": "false",
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
    timeout_s: float = TIMEOUT_S,
    memory: str = MEMORY_LIMIT,
) -> int:
    """Run one query on the published results; returns the number of rows written.

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
    timeout_s : float
        Time limit for the query and its output.
    memory : str
        Memory limit of the database, such as `4GB`; larger results spill to disk.

    Raises
    ------
    QueryError
        If nothing is published, the statement is not a query, DuckDB rejects it, or it takes
        too long.
    """
    check_text(sql)
    check_question(sql)
    with open_results(results, memory) as connection, _in_time(connection, timeout_s):
        return write_answer(_answer(connection, sql), format, limit, to, stream or sys.stdout)


def check_text(sql: str) -> None:
    """Refuse what is no text: the database would fail on it.

    Raises
    ------
    QueryError
        Naming the character and its place.
    """
    bad = next((n for n, c in enumerate(sql) if c == "\0" or "\ud800" <= c <= "\udfff"), None)
    if bad is not None:
        raise QueryError(f"character {bad + 1} of the query is no text: U+{ord(sql[bad]):04X}")


def describe(
    results: Path,
    table: str | None = None,
    *,
    format: Format = "table",
    to: Path | None = None,
    stream: TextIO | None = None,
) -> int:
    """List every table and view of the results, or the columns of one, with their meanings.

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
        raise QueryError(f"no table {table!r} in the results; available: {', '.join(held)}")
    return run_query(results, _COLUMNS.format(table=name), format=format, to=to, stream=stream)


@contextmanager
def open_results(
    results: Path, memory: str = MEMORY_LIMIT
) -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection that can read the published results and nothing else.

    It spills to a temporary folder of its own, which no other user can enter:
    DuckDB lets a locked connection reach the folder that it spills to.

    Raises
    ------
    QueryError
        If there is nothing published.
    DamageError
        If the file is no database, or one that is damaged.
    """
    if not results.is_file():
        raise QueryError(f"{results}: no results yet; run `rightsize sweep` first")
    with spill_folder() as spill:
        connection = _connected(results, memory, spill)
        with interruptible(connection):
            try:
                yield connection
            except (duckdb.Error, pa.ArrowException, OSError) as error:
                if is_damage(error):
                    raise damage_of(results, error) from None
                raise


@contextmanager
def spill_folder() -> Iterator[Path]:
    """An empty folder while the block runs; in `RIGHTSIZE_SCRATCH` if that is set."""
    place = os.environ.get("RIGHTSIZE_SCRATCH")
    try:
        folder = Path(place or tempfile.gettempdir())
        drop_of_the_dead(folder, f"{_SPILL}.*")
        spill = folder / own_name(_SPILL)
        spill.mkdir(mode=0o700)
    except OSError as error:
        raise QueryError(
            f"no temporary folder for the query: {error.strerror}: {error.filename}"
        ) from None
    try:
        yield spill
    finally:
        shutil.rmtree(spill, ignore_errors=True)


def _connected(results: Path, memory: str, spill: Path) -> duckdb.DuckDBPyConnection:
    if not re.fullmatch(r"(?=.*[1-9])\d+(\.\d+)? ?[kKmMgGtT]i?[bB]", memory):
        raise QueryError(f"invalid memory {memory!r}; give a size such as 4GB")
    try:
        connection = duckdb.connect(
            config={
                **_LOCKED_CONFIG,
                "memory_limit": memory,
                "temp_directory": str(spill),
                "max_temp_directory_size": SPILL_LIMIT,
            }
        )
    except duckdb.Error as error:
        raise QueryError(f"invalid memory {memory!r}: {_first_line(error)}") from None
    try:
        connection.execute("set TimeZone = 'UTC'")
        connection.execute(f"attach {quoted(str(results))} as results (read_only)")
        connection.execute("use results")
        connection.execute("set enable_external_access = false")
        connection.execute("set lock_configuration = true")
    except duckdb.Error as error:
        connection.close()
        raise damage_of(results, error) from None
    return connection


@contextmanager
def _in_time(connection: duckdb.DuckDBPyConnection, timeout_s: float) -> Iterator[None]:
    """Interrupt a query that runs too long, and report the timeout as the cause."""
    if not timeout_s > 0:
        raise QueryError(f"timeout must be above 0 s; got {timeout_s:g}")
    late = threading.Event()

    def end() -> None:
        late.set()
        connection.interrupt()

    timer = threading.Timer(min(timeout_s, _LONGEST_S), end)
    timer.daemon = True
    timer.start()
    try:
        yield
    except (QueryError, KeyboardInterrupt, RuntimeError, duckdb.Error):
        if late.is_set():
            raise QueryError(
                f"the query took longer than {timeout_s:g} s; narrow it, or allow more time"
                " with --timeout"
            ) from None
        raise
    finally:
        timer.cancel()
        timer.join()


def _answer(connection: duckdb.DuckDBPyConnection, sql: str) -> pa.RecordBatchReader:
    try:
        return connection.sql(sql).to_arrow_reader(10_000)
    except duckdb.InterruptException:
        raise
    except duckdb.PermissionException as error:
        raise QueryError(
            "not allowed: a query can read the published tables only, no files, network or"
            f" extensions ({_first_line(error)})"
        ) from None
    except duckdb.Error as error:
        if is_damage(error):
            raise
        text = str(error).strip()
        if "read-only" in text:
            text = f"not allowed: results are read-only ({_first_line(error)})"
        raise QueryError(text) from None


def _first_line(error: Exception) -> str:
    return str(error).strip().splitlines()[0]
