"""The fast path for clean delimited files: the reader converts the types itself.

A file whose first lines all write their times the same way is read with that format and with
numbers as numbers, at the speed of a plain copy. Lines that do not fit come back from the
reader as text with their line numbers and take the slow path. If there are many, the whole
file does.
"""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import duckdb

from pipelines.sources.amounts import quality_macro
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
from pipelines.store.delimited import (
    MAX_LINE_BYTES,
    Dialect,
    dialect,
    is_plain_utf8,
    raw_line_sql,
    sample_lines,
)
from pipelines.store.warehouse import literal, quoted, run_sql
from rightsize.units import GAL_PER_UNIT

_SAMPLE: Final = 1000
_MANY_DOUBTFUL: Final = 2000  # with more lines than that, the list of them is not complete
_FORMATS: Final = {  # a stamp with its digits masked -> the format it is read by
    "dddd-dd-dd dd:dd": "%Y-%m-%d %H:%M",
    "dddd-dd-dd dd:dd:dd": "%Y-%m-%d %H:%M:%S",
    "dddd-dd-ddTdd:dd": "%Y-%m-%dT%H:%M",
    "dddd-dd-ddTdd:dd:dd": "%Y-%m-%dT%H:%M:%S",
    "dddd-dd-ddTdd:dd:ddZ": "%Y-%m-%dT%H:%M:%SZ",
    "dddd/dd/dd dd:dd": "%Y/%m/%d %H:%M",
}
_MASK: Final = str.maketrans("0123456789", "d" * 10)


@dataclass(frozen=True)
class _Doubtful:
    """A line that the reader could not convert; the rule that rejects it, if clear."""

    line: int
    text: str
    rule: str | None


@dataclass(frozen=True)
class _Form:
    """How the first lines of a file are written."""

    kind: Dialect
    names: dict[str, str]  # our column -> c<position>
    time_format: str
    is_utc: bool
    usual_code: str | None


def stage_typed(
    connection: duckdb.DuckDBPyConnection, task: FileTask, *, kind: Kind, amount: str
) -> Staged | None:
    """Stage a file on the fast path into `typed_read`; None if it needs the slow path.

    Raises
    ------
    ConfigError
        If the header lacks a required column.
    """
    form = _form(task)
    if form is None:
        return None
    declare(
        connection,
        kind=kind,
        at_column=form.kind.header[int(form.names["at"][1:])],
        is_stamped_at_end=kind == "interval" and task.export.stamp == "end",
    )
    connection.execute(quality_macro(task.export, usual_code=form.usual_code))
    no_unreadable_lines(connection)
    forget_rejects(connection)
    try:
        connection.execute(_typed_line(task, form, amount))
    except duckdb.InterruptException:
        raise
    except duckdb.Error:
        return None
    doubtful = _doubtful(connection)
    has_blanks, has_nul = _names_are(connection, form)
    if doubtful is None or has_nul or not _is_whole(connection, task, form, len(doubtful)):
        return None
    forget_rejects(connection)
    if doubtful:
        _judge_doubtful(connection, task, form, amount, doubtful)
    lines = [d.line for d in doubtful]
    connection.execute(_typed_view(task, form, lines, has_blanks=has_blanks))
    code = form.names.get("quality", "null")
    again = _reader(task, form, amount)
    return Staged(
        kind,
        quality_texts=f"select {code} as quality_text from {again}",
        meter_names="select distinct trim(name) as meter_id from line_name"
        + (" union select meter_id from doubtful_read" if doubtful else ""),
    )


def _form(task: FileTask) -> _Form | None:
    export = task.export
    kind = dialect(
        task.text,
        delimiter=export.delimiter,
        encoding=export.encoding,
        skip_lines=export.skip_lines,
        shown=task.path,
    )
    where = f"{task.path} (export {export.name})"
    positions = column_positions(kind.header, export.columns, export.layout, where=where)
    if (
        not is_plain_utf8(kind.encoding)
        or export.thousands
        or {"unit", "time"} & positions.keys()
    ):
        return None
    if len(set(positions.values())) < len(positions):
        return None
    lines = sample_lines(task.text, _SAMPLE)[kind.header_line : -1]
    try:
        rows = [
            r for r in csv.reader(lines, delimiter=kind.delimiter) if len(r) == len(kind.header)
        ]
    except csv.Error:
        return None
    rows = [r for r in rows if len(r) == len(kind.header)]
    stamps = [r[positions["at"]] for r in rows]
    time_format = export.time_format or _FORMATS.get(
        _usual(s.translate(_MASK) for s in stamps) or ""
    )
    if not stamps or time_format is None or "%z" in time_format or "%Z" in time_format:
        return None
    code = _usual(r[positions["quality"]] for r in rows) if "quality" in positions else None
    names = {ours: f"c{k}" for ours, k in positions.items()}
    return _Form(kind, names, time_format, time_format.endswith("SZ"), code)


def _usual(values: Iterable[str]) -> str | None:
    counted = Counter(values).most_common(1)
    return str(counted[0][0]) if counted else None


def _typed_line(task: FileTask, form: _Form, amount: str) -> str:
    """The statement that reads the file into `typed_line`; other lines go to the rejects."""
    code = form.names.get("quality")
    quality_sql = f"quality_of({code})" if code else "'measured'"
    used = ", ".join(dict.fromkeys(v for k, v in form.names.items() if k != "quality"))
    return (
        f"create or replace temp table typed_line as select {used}, "
        f"{quality_sql}::quality_word as quality from {_reader(task, form, amount)}"
    )


def _reader(task: FileTask, form: _Form, amount: str) -> str:
    types = dict.fromkeys((f"c{k}" for k in range(len(form.kind.header))), "varchar")
    types[form.names["at"]] = "timestamp"
    for ours in (amount, "interval_min", "peak"):
        if ours in form.names:
            types[form.names[ours]] = "double"
    columns = ", ".join(f"'{name}': '{kind}'" for name, kind in types.items())
    return (
        f"read_csv({quoted(literal(task.text))}, delim = {quoted(form.kind.delimiter)}, "
        "hive_partitioning = false, quote = '\"', escape = '\"', header = false, "
        f"skip = {form.kind.header_line}, auto_detect = false, "
        f"compression = 'none', columns = {{{columns}}}, "
        f"timestampformat = {quoted(form.time_format)}, "
        f"decimal_separator = {quoted(task.export.decimal)}, ignore_errors = true, "
        f"store_rejects = true, rejects_limit = {4 * _MANY_DOUBTFUL}, "
        f"max_line_size = {MAX_LINE_BYTES})"
    )


def _doubtful(connection: duckdb.DuckDBPyConnection) -> list[_Doubtful] | None:
    """Lines that could not be parsed, by number; None if many or not complete lines."""
    rows = connection.execute(
        "select line, min(csv_line), min(error_type) from reject_errors "
        f"group by line order by line limit {_MANY_DOUBTFUL}"
    ).fetchall()
    if len(rows) >= _MANY_DOUBTFUL:
        return None
    found = [_Doubtful(int(line), str(text), LINE_RULES.get(kind)) for line, text, kind in rows]
    if any("\n" in d.text or "\x00" in d.text for d in found):
        return None
    return found


def _is_whole(
    connection: duckdb.DuckDBPyConnection, task: FileTask, form: _Form, doubtful: int
) -> bool:
    """Whether every line of the file is accounted for, so that rows can be numbered."""
    row = connection.execute("select count(*) from typed_line").fetchone()
    read = int(row[0]) if row else 0
    return form.kind.header_line + read + doubtful == line_count(task)


def _judge_doubtful(
    connection: duckdb.DuckDBPyConnection,
    task: FileTask,
    form: _Form,
    amount: str,
    doubtful: list[_Doubtful],
) -> None:
    """Process the lines that did not fit on the slow path, into `doubtful_read`."""
    copy = task.aside / "doubtful.csv"
    delimiter = form.kind.delimiter
    text = "".join(f"{d.line}{delimiter}{d.text}\n" for d in doubtful if d.rule is None)
    copy.write_text(text, encoding="utf-8")
    texts = {"amount" if k == amount else k: v for k, v in form.names.items()}
    source = raw_line_sql(copy, form.kind, is_mended=True)
    connection.execute(raw_read_view(source, "line", texts))
    run_sql(connection, "10_land/typed_read")
    keep_unreadable(connection, delimiter)
    refuse_lines(connection, [(d.line, d.rule, d.text) for d in doubtful if d.rule])
    connection.execute("create or replace temp table doubtful_read as from typed_read")
    connection.execute("drop table typed_read")


def keep_unreadable(connection: duckdb.DuckDBPyConnection, delimiter: str) -> None:
    """List the lines of a repaired copy that cannot be split, by their line number."""
    connection.execute(
        "insert into unreadable_line select split_part(csv_line, ?, 1)::bigint, "
        "'line_unreadable', substr(csv_line, length(split_part(csv_line, ?, 1)) + 2) "
        "from (select line, min(csv_line) as csv_line from reject_errors group by line)",
        [delimiter, delimiter],
    )


def _names_are(connection: duckdb.DuckDBPyConnection, form: _Form) -> tuple[bool, bool]:
    """Whether any meter's name has blanks around it, or holds NUL bytes.

    Checked once per meter, not once per read: `line_name` holds each name.
    """
    connection.execute(
        "create or replace temp table line_name as "
        f"select distinct {form.names['meter_id']} as name from typed_line"
    )
    row = connection.execute(
        "select bool_or(name <> trim(name)), bool_or(contains(name, chr(0))) from line_name"
    ).fetchone()
    return (bool(row[0]), bool(row[1])) if row else (False, False)


def _typed_view(task: FileTask, form: _Form, doubtful: list[int], *, has_blanks: bool) -> str:
    """`typed_read` of the rows that the reader converted and those of the slow path."""
    names = form.names
    amount = names.get("volume") or names["reading"]
    line = _line_number(f"rowid + {form.kind.header_line + 1}", doubtful)
    length = names.get("interval_min", "null")
    gal_per_unit = f"{GAL_PER_UNIT[task.export.unit]!r}::double"
    columns = {
        "source_line": line,
        "meter_id": f"trim({names['meter_id']})" if has_blanks else names["meter_id"],
        "at_text": "null::varchar",
        "stamp_at": names["at"],
        "is_utc": str(form.is_utc).lower(),
        "amount_text": "null::varchar",
        "amount": amount,
        "quality": "quality",
        "unit_text": "null::varchar",
        "gal_per_unit": gal_per_unit,
        "interval_text": f"{length}::varchar",
        "interval_min": f"try_cast({length} as float)",
        "peak_gpm": _peak(names.get("peak")),
        "refused_as": "null::varchar",
    }
    listed = ", ".join(f"{sql} as {name}" for name, sql in columns.items())
    more = " union all by name from doubtful_read" if doubtful else ""
    return f"create or replace temp view typed_read as select {listed} from typed_line{more}"


def _peak(column: str | None) -> str:
    """A peak flow in the narrower type of the lake; infinite if too large."""
    if column is None:
        return "null::float"
    return (
        f"case when {column} is not null then coalesce(try_cast({column} as float), 'inf') end"
    )


def _line_number(row: str, doubtful: list[int]) -> str:
    """Line of a row, counting the doubtful lines before it, as a tree of comparisons."""
    starts = [line - k for k, line in enumerate(doubtful)]  # row at which the k-th shift begins
    return f"({row} + {_tree(row, starts, 0)})"


def _tree(row: str, starts: list[int], passed: int) -> str:
    if not starts:
        return str(passed)
    middle = len(starts) // 2
    low = _tree(row, starts[:middle], passed)
    high = _tree(row, starts[middle + 1 :], passed + middle + 1)
    return f"case when {row} < {starts[middle]} then {low} else {high} end"
