"""Loads one file into the lake: stage, check, place, write, count."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cache
from typing import Any, Final

import duckdb
import yaml

from pipelines.sources.amounts import QUALITIES, amount_macro, quality_macro, unit_macro
from pipelines.sources.espi import stage_espi
from pipelines.sources.local_time import (
    kind_case,
    month_case,
    offset_s,
    utc_case,
    wall_segments,
)
from pipelines.sources.parquet_file import is_parquet, stage_parquet
from pipelines.sources.staged import FileTask, Staged, refuse_lines
from pipelines.sources.stamps import stamp_macros
from pipelines.sources.text_file import stage_columns
from pipelines.sources.wide import stage_wide
from pipelines.stages.land.lake_parts import write_parts
from pipelines.store.checksum import PROMISED, seal
from pipelines.store.ledger import ClockBound, LandedPart
from pipelines.store.packed import is_packed, unpack
from pipelines.store.resources import config_path
from pipelines.store.warehouse import quoted, run_sql, set_variables
from rightsize.errors import BalanceError, ConfigError

Layout = Callable[[duckdb.DuckDBPyConnection, FileTask], Staged]
LAYOUTS: Final[dict[str, Layout]] = {
    "interval": stage_columns,
    "register": stage_columns,
    "wide": stage_wide,
    "espi": stage_espi,
}
"""The module that stages and checks a layout's files; a new layout is one entry here."""

_EPOCH: Final = datetime(2000, 1, 1)  # noqa: DTZ001 - naive UTC, a placeholder for no reads


@dataclass(frozen=True)
class Landing:
    """Settings for loading one file."""

    task: FileTask
    file_hash: str
    content_hash: str
    read_as: str
    landed_seq: int
    now_at: datetime
    utility_zone: str
    bucket_count: int


@dataclass(frozen=True)
class Landed:
    """A file read into Parquet beside the lake."""

    row: dict[str, Any]  # for the ledger
    parts: list[LandedPart]
    meters: list[str]  # named in the file
    bound: ClockBound


def land_file(connection: duckdb.DuckDBPyConnection, landing: Landing) -> Landed:
    """Read a file into Parquet beside the lake; nothing is moved or recorded yet.

    Raises
    ------
    ConfigError
        If the file's columns are not those of its export.
    BalanceError
        If rows were lost on the way: a bug in rightsize.
    """
    _set_up(connection, landing)
    staged = _stage(connection, landing.task)
    connection.execute(f"create temp view read_meter as {staged.meter_names}")
    connection.execute(
        "create temp type meter_name as enum (select distinct meter_id from read_meter "
        "where meter_id <> '' union select '' order by all)"
    )
    bounds = _row(run_sql(connection, "10_land/odd_read"))
    set_variables(connection, {k: v for k, v in bounds.items() if k.startswith("has_")})
    run_sql(connection, "20_validate/judged_read")
    run_sql(connection, "10_land/landing_meter")
    months = _define_places(connection, landing, bounds)
    for relation in ("folded_read", "placed_read"):
        run_sql(connection, f"10_land/{relation}")
    parts = write_parts(
        connection,
        landing.task.aside,
        staged.kind,
        file_hash=landing.file_hash,
        months=months,
        bucket_count=landing.bucket_count,
    )
    _refuse(connection)
    for relation in ("landed_day", "landed_balance"):
        run_sql(connection, f"10_land/{relation}")
    balance = _row(connection.execute("from landed_balance"))
    _write_rejected(connection, landing)
    _check(balance, parts, landing)
    row = {
        "file_hash": landing.file_hash,
        "content_hash": landing.content_hash,
        "export_name": landing.task.export.name,
        "path": str(landing.task.path),
        "bytes": landing.task.path.stat().st_size,
        "layout": landing.task.export.layout,
        "read_as": landing.read_as,
        "landed_seq": landing.landed_seq,
        "landed_at": connection.execute("select now()").fetchone()[0],  # type: ignore[index]
        "problem": staged.problem,
        "note": _unknown_codes(connection, staged, balance["rows_unknown_quality"]),
        "rows_repeated": sum(p.rows_repeated for p in parts),
        **balance,
    }
    names = [
        name for (name,) in connection.execute("select meter_id from landing_meter").fetchall()
    ]
    return Landed(row, parts, names, _clock_bound(connection, balance["rows_future"]))


def _clock_bound(connection: duckdb.DuckDBPyConnection, rows_future: int) -> ClockBound:
    """Future times rejected or accepted; not searched if no time stamp is in the future."""
    row = connection.execute("select getvariable('has_odd_stamp')").fetchone()
    if not rows_future and not (row and row[0]):
        return None, None
    found = _row(run_sql(connection, "10_land/future_read"))
    return found["refused_from_at"], found["accepted_until_at"]


def _stage(connection: duckdb.DuckDBPyConnection, task: FileTask) -> Staged:
    if is_parquet(task.path):
        return stage_parquet(connection, task)
    stage = LAYOUTS[task.export.layout]
    if not is_packed(task.path):
        return stage(connection, task)
    unpacked = unpack(task.path, task.aside / "unpacked")
    if unpacked.broken and not unpacked.bytes:
        raise ConfigError(
            f"{task.path}: compressed file is truncated or damaged ({unpacked.broken}); "
            "nothing could be read"
        )
    if is_packed(unpacked.path):
        raise ConfigError(f"{task.path}: compressed twice; unpack it once and export it again")
    staged = stage(connection, replace(task, text=unpacked.path, lines=unpacked.lines))
    if unpacked.broken is None:
        return staged
    if unpacked.cut and task.export.layout != "espi":
        refuse_lines(connection, [(unpacked.lines + 1, "line_cut", unpacked.cut)])
    shown = (
        f"{task.path}: compressed file is truncated or damaged after line "
        f"{unpacked.lines:,} ({unpacked.broken}); the lines before it were loaded"
    )
    return replace(staged, problem=shown)


def read_limits() -> dict[str, Any]:
    """The limits of the row rules."""
    return _parsed(config_path("read_rules.yaml").read_text(encoding="utf-8"))


@cache
def _parsed(text: str) -> dict[str, Any]:
    """YAML that every file asks for again."""
    found: dict[str, Any] = yaml.safe_load(text)
    return found


def latest_at(now_at: datetime) -> datetime:
    """Times later than this are rejected as in the future."""
    return now_at + timedelta(days=float(read_limits()["future_days"]))


def _set_up(connection: duckdb.DuckDBPyConnection, landing: Landing) -> None:
    export = landing.task.export
    limits = read_limits()
    connection.execute(
        f"create temp type quality_word as enum ({', '.join(quoted(q) for q in QUALITIES)})"
    )
    for macro in (
        *stamp_macros(export.time_format),
        amount_macro(export),
        quality_macro(export),
        unit_macro(export),
    ):
        connection.execute(macro)
    set_variables(
        connection,
        {
            "file_hash": landing.file_hash,
            "source_file": str(landing.task.path),
            "landed_seq": landing.landed_seq,
            "now_at": landing.now_at,
            "earliest_at": datetime.fromisoformat(str(limits["earliest_at"])),
            "latest_at": latest_at(landing.now_at),
            "max_flow_gpm": float(limits["max_flow_gpm"]),
            "interval_min": float(export.interval_min),
            "bucket_count": landing.bucket_count,
            "register_digits": export.register_digits or 308,
        },
    )


def _define_places(
    connection: duckdb.DuckDBPyConnection, landing: Landing, bounds: Mapping[str, Any]
) -> int:
    """Define time zone and calendar macros for the years of this file.

    Returns
    -------
    int
        Approximate number of months that its reads cover.
    """
    first_at, last_at = bounds["first_stamp_at"], bounds["last_stamp_at"]
    if bounds["has_odd_stamp"]:
        first_at, last_at = connection.execute(
            "select min(stamp_at), max(stamp_at) from typed_read where stamp_at "
            "between getvariable('earliest_at') and getvariable('latest_at')"
        ).fetchone() or (None, None)
    first_at, last_at = first_at or _EPOCH, last_at or _EPOCH
    set_variables(connection, {"utc_offset_s": offset_s(landing.utility_zone, last_at)})
    segments = wall_segments(landing.task.zone, first_at, last_at)
    day = timedelta(days=3)
    month = month_case(landing.utility_zone, "t", first_at - day, last_at + day)
    for name, body in (
        ("wall_to_utc_us(t, is_second)", utc_case(segments, "t", "is_second")),
        ("is_fold(t)", kind_case(segments, "t", "fold")),
        ("is_gap(t)", kind_case(segments, "t", "gap")),
        ("month_of(t)", month),
    ):
        connection.execute(f"create or replace temp macro {name} as {body}")
    return 2 if last_at - first_at < timedelta(days=32) else _months(connection)


def _months(connection: duckdb.DuckDBPyConnection) -> int:
    row = connection.execute(
        "select count(distinct date_trunc('month', stamp_at)) from typed_read "
        "where stamp_at between getvariable('earliest_at') and getvariable('latest_at')"
    ).fetchone()
    return max(1, row[0]) if row else 1


def _refuse(connection: duckdb.DuckDBPyConnection) -> None:
    """List the rejected rows; skipped if every read was accepted."""
    read, accepted, questionable = connection.execute(
        "select (select count(*) from typed_read), coalesce(sum(rows_accepted), 0), "
        "coalesce(sum(rows_questionable), 0) from landed_part"
    ).fetchone() or (0, 0, 0)
    set_variables(
        connection, {"has_refused": read != accepted, "has_questionable": questionable > 0}
    )
    run_sql(connection, "10_land/rejected_read")


def _unknown_codes(
    connection: duckdb.DuckDBPyConnection, staged: Staged, rows: int
) -> str | None:
    if not rows:
        return None
    codes = connection.execute(
        f"select distinct trim(quality_text) from ({staged.quality_texts}) "
        "where quality_of(quality_text) is null order by 1 limit 6"
    ).fetchall()
    shown = ", ".join(repr(code) for (code,) in codes)
    return (
        f"reads with unknown quality codes: {rows:,} ({shown}), treated as questionable; "
        "add the codes to quality_codes"
    )


def _write_rejected(connection: duckdb.DuckDBPyConnection, landing: Landing) -> None:
    row = connection.execute("select count(*) from rejected_read").fetchone()
    if row and row[0]:
        target = landing.task.aside / "rejected" / f"{landing.file_hash}.parquet"
        target.parent.mkdir(parents=True, exist_ok=True)
        connection.execute(
            f"copy (select * exclude (is_line) from rejected_read) to {quoted(target)} "
            f"(format parquet, {PROMISED})"
        )
        seal(target)


def _check(balance: dict[str, Any], parts: list[LandedPart], landing: Landing) -> None:
    placed = sum(p.rows_accepted for p in parts)
    landed, rejected = balance["rows_landed"], balance["rows_rejected"]
    if placed != balance["rows_accepted"] or landed != placed + rejected:
        raise BalanceError(
            f"{landing.task.path}: {landed:,} rows read, "
            f"{balance['rows_accepted']:,} accepted, {placed:,} written to the lake, "
            f"{rejected:,} rejected; the numbers must add up"
        )


def _row(result: duckdb.DuckDBPyConnection) -> dict[str, Any]:
    names = [d[0] for d in result.description or ()]
    row = result.fetchone()
    return dict(zip(names, row or (), strict=True))
