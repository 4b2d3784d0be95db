"""Parquet files of any tabular layout: already typed, checked like all others."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import duckdb

from pipelines.sources.amounts import quality_macro
from pipelines.sources.columns import column_positions
from pipelines.sources.staged import (
    FileTask,
    Kind,
    Staged,
    declare,
    no_unreadable_lines,
    raw_read_view,
)
from pipelines.sources.text_file import kind_and_amount
from pipelines.sources.wide import wide_view
from pipelines.store.warehouse import literal, quoted, run_sql
from rightsize.errors import ConfigError

_TIMES: Final = ("TIMESTAMP", "TIMESTAMP_S", "TIMESTAMP_MS")
_NUMBERS: Final = ("DOUBLE", "BIGINT", "INTEGER", "SMALLINT", "TINYINT")
_PEAK: Final = (
    "case when try_cast(({0})::varchar as double) is not null "
    "then coalesce(try_cast(({0})::varchar as float), 'inf'::float) end"
)
_TYPED_READ: Final = """
create or replace temp view typed_read as
select
    source_line,
    meter_id,
    case
        when not coalesce({is_in_range}, false) or coalesce(meter_id, '') = ''
            then at_value::varchar
    end as at_text,
    case when {is_in_range} then at_value::timestamp end as stamp_at,
    false as is_utc,
    amount_value::varchar as amount_text,
    amount_value::double as amount,
    quality,
    null::varchar as unit_text,
    gal_of_unit(null::varchar) as gal_per_unit,
    interval_text,
    try_cast(interval_text as float) as interval_min,
    peak_gpm,
    null::varchar as refused_as
from typed_row
"""
"""As `sql/10_land/typed_read.sql` of the values' texts.

The text of a time that is in range is that of its stamp; only a refusal for want of a meter
shows both beside each other.
"""
_IS_IN_RANGE: Final = (
    "at_value between timestamp '0001-01-01' and timestamp '9999-12-31 23:59:59.999999'"
)


def is_parquet(path: Path) -> bool:
    """Whether the content is Parquet, by its first bytes.

    Raises
    ------
    OSError
        If it cannot be opened.
    """
    with path.open("rb") as handle:
        return handle.read(4) == b"PAR1"


def stage_parquet(connection: duckdb.DuckDBPyConnection, task: FileTask) -> Staged:
    """Stage and check a Parquet file; a read's line is its row number.

    Raises
    ------
    ConfigError
        If the file lacks a needed column, or the layout is not a table.
    """
    if task.export.layout == "espi":
        raise ConfigError(f"{task.path}: layout espi expects XML, but the file is Parquet")
    source = (
        f"read_parquet({quoted(literal(task.path))}, file_row_number = true, "
        "hive_partitioning = false)"
    )
    described = connection.execute(f"describe select * from {source}").fetchall()
    types = {str(r[0]): str(r[1]) for r in described if r[0] != "file_row_number"}
    header = tuple(types)
    where = f"{task.path} (export {task.export.name})"
    positions = column_positions(header, task.export.columns, task.export.layout, where=where)
    names = {ours: _identifier(header[k]) for ours, k in positions.items()}
    no_unreadable_lines(connection)
    if task.export.layout == "wide":
        cells = [(_identifier(name), name) for name in header]
        statement = wide_view(connection, task, source, "file_row_number + 1", names, cells)
        kind: Kind = "interval"
    else:
        kind, amount = kind_and_amount(task)
        declare(
            connection,
            kind=kind,
            at_column=" ".join(header[positions[n]] for n in ("at", "time") if n in positions),
            is_stamped_at_end=kind == "interval" and task.export.stamp == "end",
        )
        texts = {"amount" if k == amount else k: v for k, v in names.items()}
        statement = raw_read_view(source, "file_row_number + 1", texts)
        of = {ours: types[header[k]] for ours, k in positions.items()}
        if _is_typed(task, of["at"], of[amount]) and not {"time", "unit"} & of.keys():
            connection.execute(statement)
            _stage_typed(connection, source, texts, task)
            return Staged(
                kind, meter_names="select distinct trim(name) as meter_id from line_name"
            )
    connection.execute(statement)
    run_sql(connection, "10_land/typed_read")
    return Staged(kind)


def _is_typed(task: FileTask, at: str, amount: str) -> bool:
    """Whether times and volumes have types whose text reads back as the same value."""
    export = task.export
    is_plain = not export.time_format and not export.thousands and export.decimal == "."
    return is_plain and at in _TIMES and amount in _NUMBERS


def _stage_typed(
    connection: duckdb.DuckDBPyConnection, source: str, names: dict[str, str], task: FileTask
) -> None:
    """`typed_read` of a file with typed columns, as of their texts, without writing these.

    It reads the file anew for each statement, and of it only the columns that are used: less
    than a table of all rows costs to write. Names and codes are looked at once each.
    """
    length, peak, code = (names.get(n, "null") for n in ("interval_min", "peak", "quality"))
    connection.execute(
        "create or replace temp table line_name as "
        f"select distinct ({names['meter_id']})::varchar as name from {source}"
    )
    usual = _one_value(
        connection,
        f"select ({code})::varchar as code from {source} where code is not null "
        "group by code order by count(*) desc, code limit 1",
    )
    connection.execute(quality_macro(task.export, usual_code=usual))
    has_blanks = _one_value(connection, "select bool_or(name <> trim(name)) from line_name")
    meter_id = f"({names['meter_id']})::varchar"
    connection.execute(
        "create or replace temp view typed_row as select "
        f"(file_row_number + 1)::bigint as source_line, {names['at']} as at_value, "
        f"{f'trim({meter_id})' if has_blanks else meter_id} as meter_id, "
        f"{names['amount']} as amount_value, "
        f"quality_of(({code})::varchar)::quality_word as quality, "
        f"({length})::varchar as interval_text, {_PEAK.format(peak)} as peak_gpm from {source}"
    )
    connection.execute(_TYPED_READ.format(is_in_range=_IS_IN_RANGE))


def _one_value(connection: duckdb.DuckDBPyConnection, query: str) -> Any:
    row = connection.execute(query).fetchone()
    return row[0] if row else None


def _identifier(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'
