"""An unknown file as a table of text: whole where it is small, else parts from all over it."""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Final

import duckdb
import polars as pl

from pipelines.store.delimited import Dialect, dialect, likely_encoding
from pipelines.store.packed import BrokenStreamError, content_chunks, is_packed
from pipelines.store.warehouse import literal, quoted
from rightsize.errors import ConfigError

WHOLE_BYTES: Final = 1 << 26
"""A file up to this size is read whole: a year of hourly reads of some 200 meters."""
_PARTS: Final = 32
_PART_BYTES: Final = 1 << 20
_ROWS_OF_TABLE: Final = 1_000_000
_VALUE: Final = re.compile(r"^-?[\d.,]+$|^\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}([ T].*)?$")
_PREAMBLE_LINES: Final = 200
_DELIMITERS: Final = (",", ";", "\t", "|")
_NUL: Final = "\x00"


@dataclass(frozen=True)
class Sample:
    """A header and the rows below it, as text; `told` says how much of the file they are."""

    header: tuple[str, ...]
    rows: pl.DataFrame  # c0, c1, ...; stripped, blank is null
    told: str
    is_whole: bool

    def column(self, k: int) -> pl.Series:
        """One column, blanks and all."""
        return self.rows.to_series(k)

    @cached_property
    def _values(self) -> dict[int, pl.Series]:
        return {}

    def values(self, k: int) -> pl.Series:
        """The distinct filled values of one column, in their order."""
        if k not in self._values:
            self._values[k] = self.column(k).drop_nulls().unique(maintain_order=True)
        return self._values[k]

    def some(self, k: int, count: int = 400) -> list[str]:
        """Some of the distinct filled values of one column, from all over it."""
        found = self.values(k)
        return found.gather_every(max(1, found.len() // count)).to_list()

    def counts(self, k: int) -> list[tuple[str, int]]:
        """The filled values of one column and their counts, the commonest first."""
        found = self.column(k).drop_nulls().value_counts(sort=True)
        return [(str(value), int(count)) for value, count in found.iter_rows()]


def text_sample(path: Path) -> tuple[Dialect, int, Sample]:
    """How a delimited file is written, the lines above its header, and its rows.

    Raises
    ------
    ConfigError
        If it is not text, has no header, or no row below it.
    """
    encoding = likely_encoding(path)
    first = dialect(path, delimiter=None, encoding=encoding)
    text, told, is_whole = _text(path, first.encoding, WHOLE_BYTES)
    lines = text.split("\n")
    delimiter, at = _header_at(lines, first)
    skip = at if at > first.header_line - 1 else 0
    kind = dialect(path, delimiter=delimiter, encoding=encoding, skip_lines=skip)
    if any(_NUL in name for name in kind.header):
        raise ConfigError(f"{path}: not text: its first line holds NUL bytes")
    if sum(bool(_VALUE.match(name)) for name in kind.header) >= len(kind.header) / 2:
        raise ConfigError(
            f"{path} line {kind.header_line}: expected a header line with column names, "
            f"got what looks like a row of values: {', '.join(kind.header)}"
        )
    rows = _table("\n".join(lines[kind.header_line :]), kind)
    if not rows.height:
        raise ConfigError(f"{path}: a header and no row; it has: {', '.join(kind.header)}")
    return kind, skip, Sample(kind.header, rows, told, is_whole)


def _header_at(lines: list[str], first: Dialect) -> tuple[str, int]:
    """Delimiter and index of the header: the first line as wide as most lines below it."""
    head = [line for line in lines[:_PREAMBLE_LINES] if line.strip()]
    best = (0, first.delimiter, 1)
    for delimiter in dict.fromkeys((first.delimiter, *_DELIMITERS)):
        widths = Counter(line.count(delimiter) + 1 for line in head)
        width, count = max(widths.items(), key=lambda item: (item[1] * item[0], item[0]))
        if width > 1 and width * count > best[0]:
            best = (width * count, delimiter, width)
    _, delimiter, width = best
    for at, line in enumerate(lines[:_PREAMBLE_LINES]):
        if line.strip() and (line.count(delimiter) + 1 == width or width == 1):
            return delimiter, at
    return first.delimiter, first.header_line - 1


def _text(path: Path, encoding: str, limit: int) -> tuple[str, str, bool]:
    """Text of a file, how much of it that is, and whether it is all."""
    packed, wide = is_packed(path), encoding.startswith(("utf-16", "utf-32"))
    if packed or wide or path.stat().st_size <= limit:
        data, is_whole = _start(path, limit)
        whole = "read whole" if is_whole else f"its first {limit / 1e6:,.0f} MB were read"
    else:
        data, is_whole = _parts(path), False
        whole = f"{_PARTS} parts of it, spread from start to end, were read"
    text = data.decode(encoding, errors="replace").lstrip("\ufeff")
    return text.replace("\r\n", "\n").replace("\r", "\n"), whole, is_whole


def _start(path: Path, limit: int) -> tuple[bytes, bool]:
    data = bytearray()
    try:
        for chunk in content_chunks(path):
            data += chunk
            if len(data) > limit:
                return bytes(data[: data.rfind(b"\n") + 1]), False
    except BrokenStreamError:
        return bytes(data), False  # told when the whole file is read
    return bytes(data), True


def _parts(path: Path) -> bytes:
    """Whole lines from all over a large file, its start among them."""
    size = path.stat().st_size
    parts = []
    with path.open("rb") as handle:
        for k in range(_PARTS):
            handle.seek(k * (size - _PART_BYTES) // (_PARTS - 1))
            part = handle.read(_PART_BYTES)
            begin = part.find(b"\n") + 1 if k else 0
            parts.append(part[begin : part.rfind(b"\n") + 1])
    return b"".join(parts)


def _table(text: str, kind: Dialect) -> pl.DataFrame:
    names = [f"c{k}" for k in range(len(kind.header))]
    schema = dict.fromkeys(names, pl.String)
    try:
        rows = pl.read_csv(
            io.BytesIO(text.encode()),
            separator=kind.delimiter,
            has_header=False,
            schema=schema,
            truncate_ragged_lines=True,
            raise_if_empty=False,
        )
    except pl.exceptions.PolarsError:
        rows = pl.DataFrame(list(_split(text, kind)), schema=schema, orient="row")
    stripped = rows.select(pl.all().str.strip_chars().replace("", None))
    return stripped.filter(~pl.all_horizontal(pl.all().is_null()))


def _split(text: str, kind: Dialect) -> Iterator[list[str]]:
    """Rows of a text whose quotes do not close, line by line."""
    for line in text.split("\n"):
        row = next(csv.reader([line], delimiter=kind.delimiter), [])
        if len(row) == len(kind.header):
            yield row


def parquet_sample(path: Path) -> Sample:
    """The rows of a Parquet file as text.

    Raises
    ------
    ConfigError
        If it cannot be read.
    """
    call = f"read_parquet({quoted(literal(path))}, hive_partitioning = false)"
    try:
        with duckdb.connect(":memory:") as connection:
            described = connection.execute(f"describe from {call}").fetchall()
            counted = connection.execute(f"select count(*) from {call}").fetchone()
            total = int(counted[0]) if counted else 0
            take = f"using sample reservoir({_ROWS_OF_TABLE} rows) repeatable (1)"
            found = connection.execute(
                f"from {call} {take if total > _ROWS_OF_TABLE else ''}"
            ).to_arrow_table()
    except duckdb.Error as error:
        first = str(error).splitlines()[0]
        raise ConfigError(f"{path}: cannot be read as Parquet: {first}") from None
    header = tuple(str(r[0]) for r in described)
    table = pl.DataFrame(found)
    rows = table.select(
        pl.col(name).cast(pl.String, strict=False).alias(f"c{k}")
        for k, name in enumerate(table.columns)
    )
    is_whole = total <= _ROWS_OF_TABLE
    told = "read whole" if is_whole else f"{_ROWS_OF_TABLE:,} of its {total:,} rows were read"
    return Sample(header, rows, told, is_whole)
