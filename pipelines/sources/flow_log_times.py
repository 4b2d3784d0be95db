"""When each sample of a flow logger began: local times, offsets, a clock that drifts."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import polars as pl

from pipelines.configuration.yaml_file import short
from pipelines.sources.flow_log_keys import STEP_RANGE_S, LoggerKeys
from rightsize.errors import ConfigError

_DAY_S: Final = 86_400
_LARGEST_OFFSET_S: Final = 14 * 3600  # of any zone: Kiritimati (tz database)
_ISO: Final = ("%Y-%m-%d %H:%M:%S%.f", "%Y-%m-%d %H:%M:%S", "%Y-%m-%d %H:%M")


@dataclass(frozen=True)
class Limits:
    """What a sample may be: naive UTC times, and the largest flow of any meter."""

    earliest_at: datetime
    latest_at: datetime
    max_flow_gpm: float


def placed(rows: pl.DataFrame, said: LoggerKeys, zone: str, limits: Limits) -> pl.DataFrame:
    """Rows with the start of their sample [UTC] and what bars a time."""
    if "at" in rows.columns:
        timed = _timed(rows, "at", said, zone)
        if said.written.stamp == "end" and timed["at_utc"].null_count() < timed.height:
            step = pl.duration(microseconds=round(said.step_s(_as_start(timed)) * 1e6))
            timed = timed.with_columns(at_utc=pl.col("at_utc") - step)
    else:
        start, step_s = said.text("start_at"), said.number("step_s", *STEP_RANGE_S)
        if start is None or step_s is None:
            raise ConfigError(
                f"{said.path}: no column at: then `# start_at: ...` and `# step_s: ...` are"
                " needed above the columns"
            )
        first = _timed(pl.DataFrame({"at": [start]}), "at", said, zone)
        if first["at_utc"].null_count():
            raise ConfigError(
                f"{said.path}: start_at: no time that can be read: {short(start)}"
            )
        if first.filter(_outside(limits)).height:
            raise ConfigError(
                f"{said.path}: start_at: {short(start)} is before"
                f" {limits.earliest_at:%Y-%m-%d} or in the future"
            )
        place = pl.int_range(pl.len()) * round(step_s * 1e6)
        timed = rows.with_columns(
            at_utc=first["at_utc"].item() + pl.duration(microseconds=place),
            time_rule=pl.lit(None, dtype=pl.String),
        )
    implausible = pl.when(_outside(limits)).then(pl.lit("time_implausible"))
    timed = timed.with_columns(time_rule=pl.coalesce("time_rule", implausible))
    return _as_start(_undrifted(timed, said.drift))


def _outside(limits: Limits) -> pl.Expr:
    return (pl.col("at_utc") < limits.earliest_at) | (pl.col("at_utc") > limits.latest_at)


def _as_start(timed: pl.DataFrame) -> pl.DataFrame:
    return timed.with_columns(start_at=pl.when(pl.col("time_rule").is_null()).then("at_utc"))


def _undrifted(timed: pl.DataFrame, drift_s_per_day: float) -> pl.DataFrame:
    """Times by a clock that keeps time: the logger's was right when it began."""
    first = timed.filter(pl.col("time_rule").is_null())["at_utc"].min()
    if first is None or not drift_s_per_day:
        return timed
    since = (pl.col("at_utc") - first).dt.total_microseconds()
    true = (since / (1 + drift_s_per_day / _DAY_S)).round().cast(pl.Int64)
    return timed.with_columns(at_utc=pl.lit(first) + pl.duration(microseconds=true))


def _timed(rows: pl.DataFrame, name: str, said: LoggerKeys, zone: str) -> pl.DataFrame:
    """UTC of each row's text, naive; local times that exist twice follow the order of rows."""
    text = pl.col(name).str.strip_chars()
    offset = text.str.extract(r"(Z|[+-]\d{2}:?\d{2})$")
    plain = text.str.replace(r"\s*(Z|[+-]\d{2}:?\d{2})$", "").str.replace(
        "T", " ", literal=True
    )
    written = said.written.time_format
    formats = [written] if written else list(_ISO)
    source = text if written else plain
    local = pl.coalesce(
        source.str.to_datetime(f, time_unit="us", strict=False).dt.replace_time_zone(None)
        for f in formats
    )
    known = said.zone(zone)
    out = rows.with_columns(
        _local=local,
        _offset_s=_offset_of_format(written) if written else _offset_seconds(offset),
    )
    bad_offset = offset.is_not_null() & pl.col("_offset_s").is_null() & (not written)
    early, late = (
        out["_local"].dt.replace_time_zone(known, ambiguous=which, non_existent="null")
        .dt.convert_time_zone("UTC").dt.replace_time_zone(None)
        for which in ("earliest", "latest")
    )  # fmt: skip
    is_twice = (early != late).fill_null(value=False)
    fell = (out["_local"].diff().dt.total_microseconds() < 0).fill_null(value=False)
    second = is_twice & (fell & is_twice).cast(pl.Int64).cum_sum().cast(pl.Boolean)
    by_zone = pl.select(pl.when(second).then(late).otherwise(early)).to_series()
    out = out.with_columns(_zone_utc=by_zone)
    has_offset = pl.col("_offset_s").is_not_null()
    at_utc = (
        pl.when(bad_offset)
        .then(None)
        .when(has_offset)
        .then(pl.col("_local") - pl.duration(seconds=pl.col("_offset_s")))
        .otherwise("_zone_utc")
    )
    rule = (
        pl.when(text.is_null() | (text == ""))
        .then(pl.lit("time_missing"))
        .when(pl.col("_local").is_null() | bad_offset)
        .then(pl.lit("time_unreadable"))
        .when(at_utc.is_null())
        .then(pl.lit("time_nonexistent"))
    )
    return out.with_columns(at_utc=at_utc, time_rule=rule).drop(
        "_local", "_offset_s", "_zone_utc"
    )


def _offset_of_format(time_format: str) -> pl.Expr:
    """No offset, or none left: times with their own offset are read as UTC."""
    is_own = re.search(r"(?<!%)(%%)*%[:#]*[zZ]", time_format) is not None
    return pl.lit(0 if is_own else None, dtype=pl.Int64)


def _offset_seconds(offset: pl.Expr) -> pl.Expr:
    """Seconds east of UTC; null without one, and for one that no zone has."""
    sign = pl.when(offset.str.starts_with("-")).then(-1).otherwise(1)
    digits = offset.str.replace_all(r"[^0-9]", "")
    hours = digits.str.slice(0, 2).cast(pl.Int64, strict=False)
    minutes = digits.str.slice(2, 2).cast(pl.Int64, strict=False)
    seconds = hours * 3600 + minutes * 60
    is_known = (minutes < 60) & (seconds <= _LARGEST_OFFSET_S)
    return pl.when(offset == "Z").then(0).when(is_known).then(sign * seconds)
