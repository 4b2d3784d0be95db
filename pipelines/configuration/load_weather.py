"""A weather series by day or month, as the adjustment of change-outs takes it: by month."""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import polars as pl

from pipelines.configuration.yaml_file import plain_file
from rightsize.errors import ConfigError

LEAST_DAYS: Final = 25  # of a month, for its average to stand for it (ours)
MOST_SERIES: Final = 4  # each takes a degree of freedom of a year of months (ours)
_MOST_SHOWN: Final = 20


@dataclass(frozen=True)
class Weather:
    """month (`2025-01`) and a column for each series; null where it is not known."""

    months: pl.DataFrame
    digest: str


def load_weather(path: Path) -> Weather:
    """Read the series: first column `month` or `date`, all others numbers.

    Raises
    ------
    ConfigError
        One line a problem: file, line, column and what was expected.
    """
    header, rows = _rows(path)
    grain, names = header[0], header[1:]
    problems: list[str] = []
    read: dict[str, list[float | None]] = {}
    for line, cells in rows:
        try:
            stamp = _stamp(grain, cells[0].strip())
            if stamp in read:
                raise ValueError(f"{grain} {stamp} is there twice")
            read[stamp] = [_number(n, c) for n, c in zip(names, cells[1:], strict=True)]
        except ValueError as error:
            problems.append(f"{path} line {line}: {error}")
    if problems:
        more = len(problems) - _MOST_SHOWN
        tail = [f"{path}: and {more:,} more problems"] if more > 0 else []
        raise ConfigError("\n".join([*problems[:_MOST_SHOWN], *tail]))
    table = {name: [values[k] for values in read.values()] for k, name in enumerate(names)}
    frame = pl.DataFrame(
        {"stamp": list(read), **table},
        schema={"stamp": pl.String, **dict.fromkeys(names, pl.Float64)},
    )
    digest = hashlib.sha256(path.read_bytes()).hexdigest()[:16]
    return Weather(_by_month(frame, names, is_daily=grain == "date"), digest)


def _by_month(frame: pl.DataFrame, names: list[str], *, is_daily: bool) -> pl.DataFrame:
    least = LEAST_DAYS if is_daily else 1
    return (
        frame.group_by(pl.col("stamp").str.slice(0, 7).alias("month"))
        .agg(pl.when(pl.col(n).count() >= least).then(pl.col(n).mean()).alias(n) for n in names)
        .sort("month")
    )


def _rows(path: Path) -> tuple[list[str], list[tuple[int, list[str]]]]:
    try:
        plain_file(path)
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.reader(file)
            rows = [(reader.line_num, r) for r in reader if any(cell.strip() for cell in r)]
    except FileNotFoundError:
        raise ConfigError(f"{path}: no such file") from None
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise ConfigError(f"{path}: cannot be read: {error}") from None
    header = [name.strip() for name in rows[0][1]] if rows else []
    if not header or header[0] not in ("month", "date"):
        raise ConfigError(f"{path}: the first column must be month or date")
    if not 1 <= len(header) - 1 <= MOST_SERIES:
        raise ConfigError(
            f"{path}: 1 to {MOST_SERIES} series are allowed; got {len(header) - 1}"
        )
    if len(set(header)) < len(header) or not all(header):
        raise ConfigError(f"{path}: each column needs its own name; got {', '.join(header)}")
    for line, cells in rows[1:]:
        if len(cells) != len(header):
            raise ConfigError(f"{path} line {line}: {len(cells)} columns, not {len(header)}")
    return header, rows[1:]


def _stamp(grain: str, text: str) -> str:
    wanted = "2025-01" if grain == "month" else "2025-01-31"
    try:
        day = dt.date.fromisoformat(text + "-01" if grain == "month" else text)
    except ValueError:
        raise ValueError(f"{grain}: must be such as {wanted}; got {text!r}") from None
    return f"{day:%Y-%m}" if grain == "month" else str(day)


def _number(name: str, text: str) -> float | None:
    if not text.strip():
        return None
    try:
        value = float(text)
    except ValueError:
        raise ValueError(f"{name}: must be a number; got {text!r}") from None
    if not math.isfinite(value):
        raise ValueError(f"{name}: must be a number; got {text!r}")
    return value
