"""The first lines of an unknown file as a table, or why they cannot be one."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import duckdb

from pipelines.store.delimited import Dialect, dialect, likely_encoding, sample_lines
from pipelines.store.warehouse import literal, quoted
from rightsize.errors import ConfigError

_VALUE: Final = re.compile(r"^-?[\d.,]+$|^\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}([ T].*)?$")
_PREAMBLE_LINES: Final = 50


@dataclass(frozen=True)
class Sample:
    """A header and the rows below it, as text."""

    header: tuple[str, ...]
    rows: list[list[str]]

    def column(self, k: int) -> list[str]:
        """The filled values of one column."""
        return [r[k].strip() for r in self.rows if k < len(r) and r[k].strip()]


def text_sample(path: Path, count: int) -> tuple[Dialect, Sample]:
    """The first rows of a delimited file and how it is written.

    Raises
    ------
    ConfigError
        If it is not text, has no header, lines above the header, or no row below it.
    """
    encoding = likely_encoding(path)
    kind = dialect(path, delimiter=None, encoding=encoding)
    every = sample_lines(path, count, encoding=kind.encoding)
    if any("\x00" in name for name in kind.header):
        raise ConfigError(f"{path}: not a text file: the first line has NUL bytes")
    _refuse_preamble(path, kind, every[kind.header_line - 1 :])
    rows = [
        r for r in csv.reader(every[kind.header_line :], delimiter=kind.delimiter) if any(r)
    ]
    if sum(bool(_VALUE.match(name)) for name in kind.header) >= len(kind.header) / 2:
        raise ConfigError(
            f"{path} line {kind.header_line}: expected a header line with column names, "
            f"got what looks like a row of values: {', '.join(kind.header)}"
        )
    if not rows:
        raise ConfigError(
            f"{path}: no rows below the header; columns: {', '.join(kind.header)}"
        )
    return kind, Sample(kind.header, rows)


def _refuse_preamble(path: Path, kind: Dialect, lines: list[str]) -> None:
    """A first line with one field above lines with more is a title."""
    if len(kind.header) > 1:
        return
    for below, line in enumerate(lines[1:_PREAMBLE_LINES], start=kind.header_line + 1):
        if any(line.count(d) >= 2 for d in ",;\t|"):
            raise ConfigError(
                f"{path} line {kind.header_line}: not a header; the header seems to be "
                f"line {below}: {line.strip()}; remove the lines above it from the export"
            )


def parquet_sample(path: Path, count: int) -> Sample:
    """The first rows of a Parquet file."""
    with duckdb.connect() as connection:
        connection.execute("set TimeZone = 'UTC'")
        result = connection.execute(
            f"select columns(*)::varchar from read_parquet({quoted(literal(path))}, "
            f"hive_partitioning = false) limit {count}"
        )
        names = tuple(d[0] for d in result.description or ())
        rows = [["" if v is None else str(v) for v in row] for row in result.fetchall()]
    return Sample(names, rows)
