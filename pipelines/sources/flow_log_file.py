"""The file of one flow logger: a few keys, then one row a sample.

    # meter_id: M-17
    # pulse_gal: 1
    at,pulses
    2025-03-12T08:00:10,3

Nothing is lost: each row is a sample, a sample that the logger says it missed (no value), or
rejected by a rule of `sql/20_validate/read_rule.sql`.
"""

from __future__ import annotations

import codecs
import csv
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import numpy as np
import polars as pl

from pipelines.configuration.load_settings import FlowLogSettings
from pipelines.sources.flow_log_keys import COLUMNS, LoggerKeys
from pipelines.sources.flow_log_times import Limits, placed
from pipelines.sources.parquet_file import is_parquet
from rightsize.errors import ConfigError

Keys = list[tuple[str, str]]
_PACKED: Final = {b"\x1f\x8b": "gzip", b"(\xb5/\xfd": "zstd", b"PK\x03\x04": "zip"}
_MARKED: Final = (  # the longer mark first: that of UTF-16 begins that of UTF-32
    (codecs.BOM_UTF32_LE, "utf-32"), (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"),
)  # fmt: skip
_YEARS: Final = (datetime(1, 1, 2, tzinfo=UTC), datetime(9999, 12, 30, tzinfo=UTC))
"""Times between these have four digits of a year in any zone."""
_KEPT_TEXT: Final = 500  # [characters] of a rejected row
_TOLERANCE: Final = 0.5  # [steps] that samples may stand from their place: half a step


@dataclass(frozen=True)
class LoggerFile:
    """What a logger's file says of itself, and its rows.

    `samples`: start_at (UTC), volume_gal (null: missed), source_line; in the order of time.
    `rejected`: source_line, rule, value, amount_gal (null where none can be read).
    """

    account_id: str | None
    meter_id: str | None
    measures: str
    step_s: float
    pulse_gal: float | None
    drift_s_per_day: float
    error_pct: float
    samples: pl.DataFrame
    rejected: pl.DataFrame
    rows: int
    value_gal: float  # of all rows whose volume can be read


def read_flow_log(
    path: Path,
    written: FlowLogSettings,
    *,
    zone: str,
    earliest_at: Any,
    latest_at: Any,
    max_flow_gpm: float,
) -> LoggerFile:
    """Read a logger's file.

    Parameters
    ----------
    path : Path
        CSV with keys above its columns, or Parquet with the keys as metadata of the file.
    written : FlowLogSettings
        How the files are written.
    zone : str
        Zone of local times where neither the file nor `written` names one.
    earliest_at, latest_at : datetime
        Naive UTC; times outside are implausible.
    max_flow_gpm : float
        More than any meter passes.

    Raises
    ------
    ConfigError
        If keys or columns cannot be used; the text says which, got, and what is allowed.
    """
    keys, rows = _parquet(path, written) if is_parquet(path) else _text(path, written)
    said = LoggerKeys(path, written, keys)
    kind = said.kind_of(rows.columns)
    limits = Limits(earliest_at, latest_at, max_flow_gpm)
    timed = placed(rows, said, zone, limits)
    step_s = said.step_s(timed)
    judged = _judged(timed, said, kind, step_s, limits)
    is_good = pl.col("rule").is_null()
    samples = (
        judged.filter(is_good)
        .sort("start_at", "source_line")
        .select("start_at", "volume_gal", "source_line")
    )
    rejected = judged.filter(~is_good).select(
        "source_line",
        "rule",
        pl.col("value").str.slice(0, _KEPT_TEXT),
        amount_gal="volume_gal",
    )
    return LoggerFile(
        said.text("account_id"),
        said.text("meter_id"),
        said.measures(kind),
        step_s,
        said.pulse_gal() if kind == "pulses" else None,
        said.drift,
        said.number("error_pct", 0.1, 20.0) or written.error_pct,
        samples,
        rejected,
        rows.height,
        float(judged["volume_gal"].sum()),
    )


def _text(path: Path, written: FlowLogSettings) -> tuple[Keys, pl.DataFrame]:
    """Keys and rows of a text file, every row with its line."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read: {error.strerror or error}") from None
    _refuse_other_bytes(path, data[:4], written)
    encoding = (
        "utf-8-sig" if written.encoding.lower() in ("utf-8", "utf8") else written.encoding
    )
    lines = (
        data.decode(encoding, errors="replace")
        .replace("\r\n", "\n")
        .replace("\r", "\n")
        .split("\n")
    )
    keys: Keys = []
    first = 0
    for number, line in enumerate(lines):
        text = line.strip()
        if text and not text.startswith("#"):
            first = number
            break
        if text:
            name, _, value = text.lstrip("# ").partition(":")
            keys.append((name.strip(), value.strip()))
    else:
        raise ConfigError(
            f"{path}: no line with columns; expected at and pulses, or at and flow"
        )
    delimiter = written.delimiter or max(",;\t|", key=lines[first].count)
    names = _names(path, written, [c.strip() for c in lines[first].split(delimiter)])
    return keys, _cells(lines, first, delimiter, names)


def _refuse_other_bytes(path: Path, head: bytes, written: FlowLogSettings) -> None:
    """Refuse a file that is packed, or that says it is in another encoding than it is read as.

    Raises
    ------
    ConfigError
        Naming what it is, and what to do.
    """
    packed = next((name for start, name in _PACKED.items() if head.startswith(start)), None)
    if packed:
        raise ConfigError(f"{path}: is packed ({packed}); unpack it")
    marked = next((name for start, name in _MARKED if head.startswith(start)), None)
    if marked and not written.encoding.lower().replace("_", "-").startswith(marked):
        raise ConfigError(f"{path}: is {marked}; set flow_logs.encoding: {marked}")


def _names(path: Path, written: FlowLogSettings, header: list[str]) -> list[str | None]:
    """Our name of each column, None for those not used."""
    for ours, theirs in written.columns.items():
        if ours not in COLUMNS:
            raise ConfigError(f"flow_logs.columns maps {ours!r}; allowed: {', '.join(COLUMNS)}")
        if theirs not in header:
            raise ConfigError(
                f"{path}: no column {theirs!r} (our {ours}); the file has: {', '.join(header)}"
            )
    ours_of = {theirs: ours for ours, theirs in written.columns.items()}
    plain = [c for c in COLUMNS if c not in written.columns]
    names = [ours_of.get(h) or (h if h in plain else None) for h in header]
    twice = [n for n in names if n is not None and names.count(n) > 1]
    if twice:
        raise ConfigError(f"{path}: duplicate column {twice[0]!r}")
    return names


def _cells(
    lines: list[str], first: int, delimiter: str, names: list[str | None]
) -> pl.DataFrame:
    """Rows as text, with their line, the text as it stands, and the rule of the line."""
    wanted = [(k, n) for k, n in enumerate(names) if n is not None]
    found: dict[str, list[Any]] = {n: [] for _, n in wanted}
    found |= {"source_line": [], "value": [], "rule_of_line": []}
    for number, line in enumerate(lines[first + 1 :], start=first + 2):
        if not line.strip():
            continue
        cells = line.split(delimiter)
        if '"' in line:
            cells = next(csv.reader([line], delimiter=delimiter), [])
        rule = None
        if "\x00" in line:
            rule = "line_nul_bytes"
        elif "\ufffd" in line:
            rule = "line_encoding"
        elif len(cells) != len(names):
            rule = "line_unreadable"
        found["source_line"].append(number)
        found["value"].append(line.replace("\x00", "\\0")[:_KEPT_TEXT])
        found["rule_of_line"].append(rule)
        for k, name in wanted:
            found[name].append(cells[k].strip() if rule is None else None)
    schema = {n: pl.String for _, n in wanted}
    schema |= {"source_line": pl.Int64, "value": pl.String, "rule_of_line": pl.String}  # type: ignore[dict-item]
    return pl.DataFrame(found, schema=schema)


def _parquet(path: Path, written: FlowLogSettings) -> tuple[Keys, pl.DataFrame]:
    """Keys and rows of a Parquet file; lines are row numbers."""
    try:
        keys = list(pl.read_parquet_metadata(path).items())
        frame = pl.read_parquet(path, glob=False)
    except (pl.exceptions.PolarsError, OSError) as error:
        raise ConfigError(f"{path}: cannot be read as Parquet: {error}") from None
    names = _names(path, written, frame.columns)
    texts = []
    for name, column in zip(names, frame.get_columns(), strict=True):
        if name is None:
            continue
        if column.dtype.is_nested() or column.dtype in (pl.Binary, pl.Duration, pl.Object):
            raise ConfigError(
                f"{path}: column {column.name!r} holds {column.dtype}, not times or numbers"
            )
        if isinstance(column.dtype, pl.Datetime):
            texts.append(_time_texts(column).alias(name))
        else:
            texts.append(column.cast(pl.String).fill_null("").alias(name))
    rows = pl.DataFrame(texts)
    return keys, rows.with_columns(
        source_line=pl.int_range(1, pl.len() + 1, dtype=pl.Int64),
        value=pl.concat_str(pl.all(), separator=",", ignore_nulls=True),
        rule_of_line=pl.lit(None, dtype=pl.String),
    )


def _time_texts(column: pl.Series) -> pl.Series:
    """Times as text; those that no calendar text can show as their number."""
    assert isinstance(column.dtype, pl.Datetime)
    zone = "%z" if column.dtype.time_zone else ""
    number = column.to_physical()
    a_second = {"ms": 10**3, "us": 10**6, "ns": 10**9}[column.dtype.time_unit]
    low, high = (int(day.timestamp()) for day in _YEARS)
    is_shown = pl.Series((number // a_second).is_between(low, high)).fill_null(value=False)
    shown = column.zip_with(is_shown, pl.Series([None], dtype=column.dtype))
    texts = shown.dt.strftime(f"%Y-%m-%d %H:%M:%S%.f{zone}")
    return texts.fill_null(number.cast(pl.String)).fill_null("")


def _judged(
    placed: pl.DataFrame, said: LoggerKeys, kind: str, step_s: float, limits: Limits
) -> pl.DataFrame:
    """Rows with their volume [gal] and the rule that they broke, if any."""
    text = pl.col(kind).str.strip_chars()
    number = text.cast(pl.Float64, strict=False)
    is_blank = text.is_null() | (text == "")
    volume = number * said.sample_gal(kind, step_s)
    most_gal = limits.max_flow_gpm * step_s / 60
    rule = (
        pl.when(pl.col("rule_of_line").is_not_null())
        .then("rule_of_line")
        .when(pl.col("time_rule").is_not_null())
        .then("time_rule")
        .when(is_blank)
        .then(None)
        .when(number.is_null())
        .then(pl.lit("volume_unreadable"))
        .when(~number.is_finite())
        .then(pl.lit("volume_not_finite"))
        .when(number < 0)
        .then(pl.lit("volume_negative"))
        .when(volume > most_gal)
        .then(pl.lit("volume_implausible"))
    )
    found = placed.with_columns(rule=rule, volume_gal=pl.when(number.is_finite()).then(volume))
    return _without_repeats(found, step_s)


def _without_repeats(rows: pl.DataFrame, step_s: float) -> pl.DataFrame:
    """One sample a place on the clock: of several the first counts."""
    good = rows.filter(pl.col("rule").is_null()).sort("start_at", "source_line")
    at = good["start_at"].dt.epoch("us").to_numpy() / 1e6
    if len(at) < 2 or np.diff(at).min() >= _TOLERANCE * step_s:
        return rows
    keep = np.ones(len(at), dtype=bool)
    last = -np.inf
    for k, second in enumerate(at.tolist()):
        if second - last < _TOLERANCE * step_s:
            keep[k] = False
        else:
            last = second
    repeated = good["source_line"].filter(pl.Series(~keep))
    return rows.with_columns(
        rule=pl.when(pl.col("source_line").is_in(repeated.implode()))
        .then(pl.lit("time_repeated"))
        .otherwise("rule")
    )
