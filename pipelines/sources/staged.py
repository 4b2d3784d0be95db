"""What a layout module passes to the land stage: the file's rows as text, in `raw_read`.

`raw_read` has the columns source_line (bigint), meter_id, at_text, amount_text,
quality_text, interval_text, peak_text, unit_text (all varchar, null where the file has none),
utc_at (timestamp, if the layout knows the instant) and refused_as (varchar, the rule
by which the layout rejects a row).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

import duckdb

from pipelines.configuration.load_settings import ExportSettings
from pipelines.store.warehouse import set_variables

KEPT_TEXT: Final = 500
LINE_RULES: Final = {
    "INVALID ENCODING": "line_encoding",
    "LINE SIZE OVER MAXIMUM": "line_too_long",
    "UNQUOTED VALUE": "line_unreadable",
}
"""The rule for a line that the reader could not parse, by the reader's error type."""

Kind = Literal["interval", "register"]

_TEXTS: Final = {
    "meter_id": "meter_id",
    "at": "at_text",
    "amount": "amount_text",
    "quality": "quality_text",
    "interval_min": "interval_text",
    "peak": "peak_text",
    "unit": "unit_text",
}


@dataclass(frozen=True)
class FileTask:
    """One file to load, and a folder for temporary files."""

    path: Path  # as messages name it
    text: Path  # what is read: the file itself, or its unpacked copy
    export: ExportSettings
    lines: int  # line feeds in what is read
    aside: Path
    zone: str


@dataclass(frozen=True)
class Staged:
    """The outcome of staging a file.

    `problem` says what could not be read; `quality_texts` is the query of its quality
    codes, verbatim, `meter_names` that of the meters it names, each once.
    """

    kind: Kind
    problem: str | None = None
    quality_texts: str = "select quality_text from raw_read"
    meter_names: str = "select distinct meter_id from typed_read"


def declare(
    connection: duckdb.DuckDBPyConnection,
    *,
    kind: Kind,
    is_stamped_at_end: bool,
    at_column: str,
) -> None:
    """Define the macros for the amounts and timestamps of this file."""
    set_variables(
        connection,
        {
            "amount_name": "reading" if kind == "register" else "volume",
            "is_stamped_at_end": is_stamped_at_end,
            "at_column": at_column,
        },
    )


def raw_read_view(source: str, line: str, texts: Mapping[str, str]) -> str:
    """The statement that makes `raw_read` of a source.

    Parameters
    ----------
    source
        A relation or a call that yields one.
    line
        SQL of the line number.
    texts
        SQL of each of our columns that the source has.
    """
    if "time" in texts:
        joined = (
            f"concat_ws(' ', trim(({texts['at']})::varchar), trim(({texts['time']})::varchar))"
        )
        texts = {**texts, "at": joined}
    columns = ", ".join(
        f"({texts[ours]})::varchar as {name}" if ours in texts else f"null::varchar as {name}"
        for ours, name in _TEXTS.items()
    )
    return (
        f"create or replace temp view raw_read as select ({line})::bigint as source_line, "
        f"{columns}, ({texts.get('utc_at', 'null')})::timestamp as utc_at, "
        f"({texts.get('refused_as', 'null')})::varchar as refused_as from {source}"
    )


def no_unreadable_lines(connection: duckdb.DuckDBPyConnection) -> None:
    """Start the list of lines that could not be read at all."""
    connection.execute(
        "create or replace temp table unreadable_line "
        "(source_line bigint, rule varchar, value varchar)"
    )


def forget_rejects(connection: duckdb.DuckDBPyConnection) -> None:
    """Clear the reader's list of lines it could not read."""
    connection.execute("drop table if exists reject_errors")
    connection.execute("drop table if exists reject_scans")


def line_count(task: FileTask) -> int:
    """Lines of a file, including a last line without a line feed."""
    with task.text.open("rb") as handle:
        if handle.seek(0, 2) == 0:
            return 0
        handle.seek(-1, 2)
        return task.lines + (handle.read(1) != b"\n")


def refuse_lines(
    connection: duckdb.DuckDBPyConnection, lines: Sequence[tuple[int, str, str]]
) -> None:
    """List lines that cannot be read, as (line, rule, text)."""
    if lines:
        connection.executemany(
            "insert into unreadable_line values (?, ?, ?)",
            [[line, rule, text[:KEPT_TEXT]] for line, rule, text in lines],
        )
