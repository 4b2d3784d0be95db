"""Query results as a table on the terminal, or as CSV, JSON or Parquet.

Text from exports can hold anything. In CSV, text that a spreadsheet would run as a formula is
prefixed with an apostrophe (common practice); on the terminal, control characters are escaped.
"""

from __future__ import annotations

import csv
import json
import math
import os
import shutil
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from datetime import date, datetime, time
from decimal import Decimal
from pathlib import Path
from typing import Any, Final, Literal, TextIO

import duckdb
import pyarrow as pa
from rich.console import Console
from rich.table import Table
from rich.text import Text

from pipelines.commands.console import PlainConsole, visible
from pipelines.commands.query_values import values_of
from pipelines.store.leftovers import own_name
from pipelines.store.usable_path import usable_path
from rightsize.errors import QueryError
from rightsize.evidence.field.sheet_cell import safe_cell
from rightsize.units.plain_number import plain_number

Format = Literal["table", "csv", "json", "parquet"]
Row = tuple[Any, ...]
TABLE_LIMIT: Final = 500
PIPE_WIDTH: Final = 10_000  # wide enough that nothing is cut; a pager scrolls
_MIN_COLUMN_WIDTH: Final = 6


def write_answer(
    reader: pa.RecordBatchReader,
    format: Format,
    limit: int | None,
    to: Path | None,
    out: TextIO,
) -> int:
    """Write a result batch by batch; returns the number of rows written.

    Raises
    ------
    QueryError
        If the format needs a file and none is given, or the file cannot be written.
    """
    if limit is not None and limit < 0:
        raise QueryError(f"limit must be 0 or more; got {limit}")
    limit = None if limit is None else min(limit, sys.maxsize - 1)
    if format == "parquet":
        if to is None:
            raise QueryError("format parquet needs an output file; add --to FILE")
        return _write_file(to, lambda path: _parquet(reader, limit, path))
    if to is None:
        return _WRITERS[format](reader, limit, out)

    def write(path: Path) -> int:
        with path.open("w", encoding="utf-8", newline="") as handle:
            return _WRITERS[format](reader, limit, handle)

    return _write_file(to, write)


def _write_file(to: Path, write: Callable[[Path], int]) -> int:
    """Write to a temporary file, then rename, so that a failure never replaces a good file."""
    to = usable_path(to)
    beside = to.with_name(own_name(""))
    try:
        rows = write(beside)
        os.replace(beside, to)
    except OSError as error:
        raise QueryError(f"{to} cannot be written: {error.strerror or error}") from None
    except pa.ArrowException as error:  # a type that the file has no place for
        raise QueryError(f"{to} cannot be written: {error}; cast the column") from None
    finally:
        with suppress(OSError):
            beside.unlink(missing_ok=True)
    return rows


def _batches(reader: pa.RecordBatchReader, limit: int | None) -> Iterator[pa.RecordBatch]:
    left = limit
    while left is None or left > 0:
        try:
            batch = reader.read_next_batch()
        except StopIteration:
            return
        except duckdb.InterruptException:
            raise
        except (pa.ArrowInvalid, duckdb.Error, OSError) as error:
            raise QueryError(str(error).strip()) from None
        kept = batch if left is None else batch.slice(0, left)
        left = None if left is None else left - kept.num_rows
        yield kept


def _rows(reader: pa.RecordBatchReader, limit: int | None) -> Iterator[Row]:
    for batch in _batches(reader, limit):
        columns = [values_of(c) for c in batch.columns]
        yield from zip(*columns, strict=True)


def _parquet(reader: pa.RecordBatchReader, limit: int | None, path: Path) -> int:
    import pyarrow.parquet as pq

    rows = 0
    with pq.ParquetWriter(path, reader.schema, compression="zstd") as writer:
        for batch in _batches(reader, limit):
            writer.write_batch(batch)
            rows += batch.num_rows
    return rows


def _csv(reader: pa.RecordBatchReader, limit: int | None, out: TextIO) -> int:
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([safe_cell(name) for name in reader.schema.names])
    count = 0
    for row in _rows(reader, limit):
        writer.writerow([_csv_value(value) for value in row])
        count += 1
    return count


def _csv_value(value: Any) -> Any:
    plain = _plain(value)
    if isinstance(plain, dict | list):
        return safe_cell(json.dumps(plain, ensure_ascii=False))
    if isinstance(value, str | bytes):
        return safe_cell(str(plain))
    return "" if plain is None else plain


def _json(reader: pa.RecordBatchReader, limit: int | None, out: TextIO) -> int:
    names = reader.schema.names
    if len(set(names)) != len(names):
        raise QueryError("two columns have the same name; rename one with `as`")
    count = 0
    out.write("[")
    for row in _rows(reader, limit):
        fields = {n: _plain(v) for n, v in zip(names, row, strict=True)}
        out.write(",\n " if count else "\n ")
        out.write(json.dumps(fields, ensure_ascii=False, allow_nan=False))
        count += 1
    out.write("\n]\n" if count else "]\n")
    return count


def _plain(value: Any) -> Any:
    """A JSON value: NaN and infinity become null, times ISO 8601."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Decimal):
        return int(value) if value == value.to_integral_value() else float(value)
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    if isinstance(value, bytes):
        return value.decode("utf-8", "backslashreplace")
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    return value if value is None or isinstance(value, str | int | bool) else str(value)


def _table(reader: pa.RecordBatchReader, limit: int | None, out: TextIO) -> int:
    """Rows as a table as wide as the terminal; a wide answer on a terminal as records."""
    names = reader.schema.names
    wanted = TABLE_LIMIT if limit is None else limit
    rows = list(_rows(reader, wanted + 1))
    more, rows = len(rows) > wanted, rows[:wanted]
    on_terminal = out.isatty()
    width = shutil.get_terminal_size().columns if on_terminal else PIPE_WIDTH
    console = PlainConsole(file=out, width=width, soft_wrap=not on_terminal)
    cells = [[cell_text(n, v) for n, v in zip(names, row, strict=True)] for row in rows]
    if on_terminal and len(names) * (_MIN_COLUMN_WIDTH + 3) > width:
        _print_records(console, names, cells)
    else:
        _print_table(console, names, cells, _numeric(reader.schema))
    console.print(
        f"{len(rows):,} row{'' if len(rows) == 1 else 's'}"
        + ("; more rows available: raise --limit, or use --format csv" if more else "")
    )
    return len(rows)


def _numeric(schema: pa.Schema) -> list[bool]:
    kinds = (pa.types.is_integer, pa.types.is_floating, pa.types.is_decimal)
    return [any(kind(field.type) for kind in kinds) for field in schema]


def _print_table(
    console: Console, names: Sequence[str], cells: list[list[str]], numeric: Sequence[bool]
) -> None:
    table = Table(box=None, pad_edge=False, header_style="bold")
    for name, is_number in zip(names, numeric, strict=True):
        table.add_column(
            Text(visible(name)), justify="right" if is_number else "left", overflow="fold"
        )
    for row in cells:
        table.add_row(*(Text(cell) for cell in row))
    console.print(table)


def _print_records(console: Console, names: Sequence[str], cells: list[list[str]]) -> None:
    for number, row in enumerate(cells, start=1):
        table = Table(box=None, pad_edge=False, show_header=False, title=f"row {number}")
        table.title_justify = "left"
        for name, cell in zip(names, row, strict=True):
            table.add_row(Text(visible(name), style="bold"), Text(cell))
        console.print(table)


def cell_text(name: str, value: Any) -> str:
    """A value for display: thousands separators, digits by unit, control characters escaped."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int):
        return f"{value:,}"
    if isinstance(value, float | Decimal):
        return _number_text(name, float(value))
    if isinstance(value, datetime):
        return value.strftime("%Y-%m-%d %H:%M:%S")
    if isinstance(value, dict | list):
        return visible(json.dumps(_plain(value), ensure_ascii=False))
    return visible(str(value))


def _number_text(name: str, value: float) -> str:
    if not math.isfinite(value):
        return str(value)
    if "_usd" in name or "_gal" in name:
        return f"{value:,.0f}" if abs(value) >= 100 else f"{value:,.2f}"
    if name.endswith("_pct"):
        return f"{value:,.2f}"
    return f"{value:,.0f}" if abs(value) >= 1000 else plain_number(value, 4)


_WRITERS: Final[dict[str, Callable[[pa.RecordBatchReader, int | None, TextIO], int]]] = {
    "table": _table,
    "csv": _csv,
    "json": _json,
}
