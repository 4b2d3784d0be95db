"""Layout wide: one line per meter and day, one column per interval.

The columns follow the day: the first is the interval that begins at local midnight, the next
the one after it, and so on; a day of 23 hours fills 23 of them, one of 25 hours 25. Two other
conventions are recognized by their blanks: on the short day, a blank column for the skipped
hour; on the long day, no column for the repeated hour (its one column is then flagged as
questionable: it may be either hour, or both).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import duckdb
import pyarrow as pa

from pipelines.sources.columns import plain
from pipelines.sources.staged import FileTask, Staged, declare
from pipelines.sources.text_file import stage_text
from pipelines.store.warehouse import run_sql, set_variables
from rightsize.errors import ConfigError

_CELL = re.compile(
    r"^(?:h|he|hr|hour|hour_ending|hour_end|ending|end|int|interval|i|v|value|vol|q|read|usage)?"
    r"_?(\d{1,3})$|^(\d{1,2})_?(\d{2})(?:_\w+)?$"
)


def stage_wide(connection: duckdb.DuckDBPyConnection, task: FileTask) -> Staged:
    """Stage and check a wide file of delimited text.

    Raises
    ------
    ConfigError
        If the header lacks meter_id or date, or has fewer columns than a day has intervals.
    """

    def view(source: str, line: str, names: dict[str, str], header: tuple[str, ...]) -> str:
        cells = [(f"c{k}", name) for k, name in enumerate(header)]
        return wide_view(connection, task, source, line, names, cells)

    stage_text(connection, task, view)
    return Staged("interval")


def wide_view(
    connection: duckdb.DuckDBPyConnection,
    task: FileTask,
    source: str,
    line: str,
    names: dict[str, str],
    columns: Sequence[tuple[str, str]],
) -> str:
    """Make `wide_line` and `wide_day`; return the statement for `raw_read`.

    Parameters
    ----------
    names
        SQL of meter_id, date and, where the file has them, quality and unit.
    columns
        SQL and header name of every column of the file, in its order.
    """
    cells = _cells(task, names, columns)
    header = dict(columns)
    declare(
        connection,
        kind="interval",
        is_stamped_at_end=False,
        at_column=header.get(names["date"], names["date"]),
    )
    texts = ", ".join(
        f"({names[ours]})::varchar as {ours}" if ours in names else f"null::varchar as {ours}"
        for ours in ("meter_id", "date", "quality", "unit")
    )
    listed = ", ".join(f"nullif(trim(({sql})::varchar), '')" for sql in cells)
    connection.execute(
        f"create or replace temp table wide_line as select ({line})::bigint as source_line, "
        f"{texts}, [{listed}] as cells from {source}"
    )
    connection.register("wide_day", _days(connection, task, len(cells)))
    set_variables(connection, {"cell_min": float(task.export.interval_min)})
    run_sql(connection, "10_land/wide_read")
    return "create or replace temp view raw_read as from wide_read"


def is_cell(name: str) -> bool:
    """Whether a column's name is that of an interval of the day."""
    return _CELL.match(plain(name)) is not None


def _cells(
    task: FileTask, names: dict[str, str], columns: Sequence[tuple[str, str]]
) -> list[str]:
    taken = set(names.values())
    cells = [sql for sql, name in columns if sql not in taken and is_cell(name)]
    needed = round(23 * 60 / task.export.interval_min)
    if len(cells) < needed:
        found = ", ".join(name for _, name in columns)
        raise ConfigError(
            f"{task.path} (export {task.export.name}): layout wide with intervals of "
            f"{task.export.interval_min:g} min needs at least {needed} columns such as h1, h2 "
            f"or 00:00, 01:00; found {len(cells)} in: {found}"
        )
    return cells


def _days(connection: duckdb.DuckDBPyConnection, task: FileTask, cell_count: int) -> pa.Table:
    """When each day of the file begins (UTC), how many intervals it has, and clock changes.

    `change` is the first cell of the hour that the clock skips (`change_count` cells of it) or
    shows twice, where the file's cells may follow the clock and not the day; else null. A day
    beyond the bounds for reads is left out: its cells are refused by its date.
    """
    info = ZoneInfo(task.zone)
    rows = connection.execute(
        "select distinct date, stamp_at(trim(date)) from wide_line "
        "where stamp_at(trim(date)) between getvariable('earliest_at') - interval 2 days "
        "and getvariable('latest_at') + interval 2 days"
    ).fetchall()
    days = [_day(text, at, info, task.export.interval_min, cell_count) for text, at in rows]
    schema = pa.schema(
        [
            ("date", pa.string()), ("begin_at", pa.timestamp("us")),
            ("interval_count", pa.int32()), ("is_short", pa.bool_()), ("is_long", pa.bool_()),
            ("change", pa.int32()), ("change_count", pa.int32()),
        ]
    )  # fmt: skip
    return pa.Table.from_pylist(days, schema=schema)


def _day(
    text: str, at: datetime, info: ZoneInfo, interval_min: float, cell_count: int
) -> dict[str, object]:
    midnight = datetime(at.year, at.month, at.day, tzinfo=info)
    following = datetime.combine(midnight.date() + timedelta(days=1), midnight.timetz())
    begin, end = midnight.astimezone(UTC), following.astimezone(UTC)
    minutes = (end - begin).total_seconds() / 60
    count, usual = round(minutes / interval_min), round(1440 / interval_min)
    is_long = count > usual and cell_count < count
    last = _last_before_change(begin, end, info, interval_min)
    return {
        "date": text,
        "begin_at": begin.replace(tzinfo=None),
        "interval_count": count,
        "is_short": count < usual,
        "is_long": is_long,
        "change": last - (count - usual) + 1 if is_long else last + 1,
        "change_count": abs(count - usual),
    }


def _last_before_change(
    begin: datetime, end: datetime, info: ZoneInfo, interval_min: float
) -> int:
    """The last interval of the day before the clock is changed; 0 where it is not."""
    step = timedelta(minutes=interval_min)
    offset = begin.astimezone(info).utcoffset()
    for number in range(1, round((end - begin) / step)):
        if (begin + number * step).astimezone(info).utcoffset() != offset:
            return number
    return 0
