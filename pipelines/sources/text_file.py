"""Delimited files of the layouts interval and register: staged and checked."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import duckdb

from pipelines.sources.columns import column_positions
from pipelines.sources.staged import (
    LINE_RULES,
    FileTask,
    Kind,
    Staged,
    declare,
    forget_rejects,
    line_count,
    no_unreadable_lines,
    raw_read_view,
    refuse_lines,
)
from pipelines.sources.typed_text import keep_unreadable, stage_typed
from pipelines.store.delimited import (
    Dialect,
    dialect,
    is_plain_utf8,
    mended_copy,
    raw_line_sql,
)
from pipelines.store.warehouse import literal, quoted, run_sql
from rightsize.errors import ConfigError

_MANY_REJECTS: Final = 16
_HOLDS_NUL: Final = (
    "contains(concat(meter_id, at_text, amount_text, unit_text, interval_text), chr(0))"
)

View = Callable[[str, str, dict[str, str], tuple[str, ...]], str]
"""Makes the statement for `raw_read` of a source, its line number, the source's name of each
of our columns, and the file's header."""


def stage_columns(connection: duckdb.DuckDBPyConnection, task: FileTask) -> Staged:
    """Stage and check a file with one read per line.

    Raises
    ------
    ConfigError
        If the header lacks a required column.
    """
    kind, amount = kind_and_amount(task)

    def view(source: str, line: str, names: dict[str, str], header: tuple[str, ...]) -> str:
        declare(
            connection,
            kind=kind,
            at_column=" ".join(header[int(names[n][1:])] for n in ("at", "time") if n in names),
            is_stamped_at_end=kind == "interval" and task.export.stamp == "end",
        )
        texts = {"amount" if k == amount else k: v for k, v in names.items()}
        return raw_read_view(source, line, texts)

    typed = stage_typed(connection, task, kind=kind, amount=amount)
    if typed is None:
        stage_text(connection, task, view)
    return typed or Staged(kind)


def kind_and_amount(task: FileTask) -> tuple[Kind, str]:
    """The lake for an export with one read per row, and its name for the amount."""
    return (
        ("register", "reading") if task.export.layout == "register" else ("interval", "volume")
    )


def stage_text(connection: duckdb.DuckDBPyConnection, task: FileTask, view: View) -> None:
    """Stage a delimited file as it is, or a repaired copy if lines would be lost."""
    kind = dialect(
        task.text,
        delimiter=task.export.delimiter,
        encoding=task.export.encoding,
        skip_lines=task.export.skip_lines,
        shown=task.path,
    )
    where = f"{task.path} (export {task.export.name})"
    positions = column_positions(
        kind.header, task.export.columns, task.export.layout, where=where
    )
    names = {ours: f"c{position}" for ours, position in positions.items()}
    if not (is_plain_utf8(kind.encoding) and _straight(connection, task, kind, names, view)):
        _mended(connection, task, kind, names, view)


def _straight(
    connection: duckdb.DuckDBPyConnection,
    task: FileTask,
    kind: Dialect,
    names: dict[str, str],
    view: View,
) -> bool:
    """Check the file as it is; false if lines would be lost or miscounted."""
    source = raw_line_sql(task.text, kind, is_mended=False)
    line = f"row_number() over () + {kind.header_line}"
    no_unreadable_lines(connection)
    forget_rejects(connection)
    try:
        connection.execute(view(source, line, names, kind.header))
        run_sql(connection, "10_land/typed_read")
    except duckdb.InterruptException:
        raise
    except duckdb.Error:
        return False
    rejects = connection.execute(
        "select line, min(csv_line), min(error_type) from reject_errors "
        "group by line order by line"
    ).fetchall()
    last_line = _one(
        connection, f"select coalesce(max(source_line), {kind.header_line}) from typed_read"
    )
    if last_line + len(rejects) != line_count(task):
        return False  # empty lines, mixed line ends or quotes that span lines
    if len(rejects) > _MANY_REJECTS or any(
        "\n" in (text or "") or "\x00" in (text or "") for _, text, _ in rejects
    ):
        return False
    if _one(connection, f"select count(*) from typed_read where {_HOLDS_NUL}"):
        return False
    if rejects:
        _make_room(connection, [line_no for line_no, _, _ in rejects])
        refuse_lines(
            connection,
            [(n, LINE_RULES.get(kind, "line_unreadable"), text) for n, text, kind in rejects],
        )
    return True


def _make_room(connection: duckdb.DuckDBPyConnection, lines: list[int]) -> None:
    """Shift line numbers by the rejected lines before them."""
    shift = " + ".join(
        f"(source_line >= {line_no - already})::bigint" for already, line_no in enumerate(lines)
    )
    connection.execute(f"update typed_read set source_line = source_line + {shift}")


def _mended(
    connection: duckdb.DuckDBPyConnection,
    task: FileTask,
    kind: Dialect,
    names: dict[str, str],
    view: View,
) -> None:
    task.aside.mkdir(parents=True, exist_ok=True)
    copy, refused = task.aside / "mended.csv", task.aside / "refused.csv"
    refused_count = mended_copy(task.text, copy, refused, kind)
    no_unreadable_lines(connection)
    forget_rejects(connection)
    source = raw_line_sql(copy, kind, is_mended=True)
    try:
        connection.execute(view(source, "line", names, kind.header))
        run_sql(connection, "10_land/typed_read")
    except duckdb.InterruptException:
        raise
    except duckdb.Error as error:
        first = str(error).splitlines()[0]
        raise ConfigError(f"{task.path}: cannot be read as delimited text: {first}") from None
    keep_unreadable(connection, kind.delimiter)
    if refused_count:
        connection.execute(
            f"insert into unreadable_line from read_csv({quoted(literal(refused))}, "
            "header = false, auto_detect = false, columns = {'line': 'bigint', "
            "'rule': 'varchar', 'text': 'varchar'}, quote = '\"', escape = '\"', "
            "strict_mode = false)"
        )


def _one(connection: duckdb.DuckDBPyConnection, query: str) -> int:
    row = connection.execute(query).fetchone()
    return int(row[0]) if row else 0
