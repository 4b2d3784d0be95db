"""One file into the lake: staged, judged, placed, written aside, moved, entered.

Until the ledger holds the file's row, nothing of it counts: the folder `landing/<hash>` marks
a landing under way, and `sweep_up` takes back what a crash left behind.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final

import duckdb
import yaml

from pipelines import ledger
from pipelines.ledger import LandedPart
from pipelines.resources import config_path, sql_text
from pipelines.sources.amounts import QUALITIES, amount_macro, quality_macro, unit_macro
from pipelines.sources.espi import stage_espi
from pipelines.sources.local_time import (
    kind_case,
    month_case,
    offset_s,
    utc_case,
    wall_segments,
)
from pipelines.sources.packed import is_packed, unpack
from pipelines.sources.parquet_file import is_parquet, stage_parquet
from pipelines.sources.staged import FileTask, Kind, Staged, refuse_lines
from pipelines.sources.stamps import stamp_macros
from pipelines.sources.text_file import stage_columns
from pipelines.sources.wide import stage_wide
from pipelines.warehouse import quoted, run_sql, set_variables
from pipelines.workspace import Workspace
from rightsize.errors import BalanceError, ConfigError

Layout = Callable[[duckdb.DuckDBPyConnection, FileTask], Staged]
LAYOUTS: Final[dict[str, Layout]] = {
    "interval": stage_columns,
    "register": stage_columns,
    "wide": stage_wide,
    "espi": stage_espi,
}
"""The module that stages and judges a layout's files; a new layout is one entry here."""

_EPOCH: Final = datetime(2000, 1, 1)  # noqa: DTZ001 - naive UTC, a placeholder for no reads


@dataclass(frozen=True)
class Landing:
    """What is fixed for the landing of one file."""

    task: FileTask
    file_hash: str
    content_hash: str
    read_as: str
    landed_seq: int
    now_at: datetime
    utility_zone: str
    bucket_count: int


def land_file(
    connection: duckdb.DuckDBPyConnection, landing: Landing
) -> tuple[dict[str, Any], list[LandedPart], list[str]]:
    """Read a file into Parquet beside the lake; nothing is moved or entered yet.

    Returns
    -------
    tuple
        The ledger's row, the partitions written, the meters named in the file.

    Raises
    ------
    ConfigError
        If the file's columns are not those of its export.
    BalanceError
        If rows went missing on the way: a failure of ours.
    """
    _set_up(connection, landing)
    staged = _stage(connection, landing.task)
    run_sql(connection, "20_validate/judged_read")
    run_sql(connection, "10_land/landing_meter")
    _define_places(connection, landing)
    accepted = f"accepted_{staged.kind}"
    for relation in ("folded_read", "placed_read", accepted):
        run_sql(connection, f"10_land/{relation}")
    connection.execute(f"create temp view accepted_read as from {accepted}")
    _refuse(connection)
    for relation in ("landed_part", "landed_day", "landed_balance"):
        run_sql(connection, f"10_land/{relation}")
    balance = _row(connection, "from landed_balance")
    parts = _write_parts(connection, landing, staged.kind)
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
    return row, parts, names


def _stage(connection: duckdb.DuckDBPyConnection, task: FileTask) -> Staged:
    if is_parquet(task.path):
        return stage_parquet(connection, task)
    stage = LAYOUTS[task.export.layout]
    if not is_packed(task.path):
        return stage(connection, task)
    unpacked = unpack(task.path, task.aside / "unpacked")
    if unpacked.broken and not unpacked.bytes:
        raise ConfigError(
            f"{task.path}: the packed file breaks off at once ({unpacked.broken})"
        )
    staged = stage(connection, replace(task, text=unpacked.path, lines=unpacked.lines))
    if unpacked.broken is None:
        return staged
    if unpacked.cut and task.export.layout != "espi":
        refuse_lines(connection, [(unpacked.lines + 1, "line_cut", unpacked.cut)])
    told = (
        f"{task.path}: the packed file breaks off after line {unpacked.lines} "
        f"({unpacked.broken}); what came before was landed"
    )
    return replace(staged, problem=told)


def _set_up(connection: duckdb.DuckDBPyConnection, landing: Landing) -> None:
    export = landing.task.export
    limits = yaml.safe_load(config_path("read_rules.yaml").read_text(encoding="utf-8"))
    connection.execute(
        f"create type quality_word as enum ({', '.join(quoted(q) for q in QUALITIES)})"
    )
    for macro in (
        *stamp_macros(export.time_format), amount_macro(export), quality_macro(export),
        unit_macro(export),
    ):  # fmt: skip
        connection.execute(macro)
    set_variables(
        connection,
        {
            "file_hash": landing.file_hash,
            "source_file": str(landing.task.path),
            "landed_seq": landing.landed_seq,
            "now_at": landing.now_at,
            "earliest_at": datetime.fromisoformat(str(limits["earliest_at"])),
            "latest_at": landing.now_at + timedelta(days=float(limits["future_days"])),
            "max_flow_gpm": float(limits["max_flow_gpm"]),
            "interval_min": float(export.interval_min),
            "bucket_count": landing.bucket_count,
            "register_digits": export.register_digits or 308,
        },
    )


def _define_places(connection: duckdb.DuckDBPyConnection, landing: Landing) -> None:
    """The wall clock's and the calendar's rules for the years of this file."""
    first_at, last_at = connection.execute(
        "select min(stamp_at), max(stamp_at) from typed_read "
        "where stamp_at between getvariable('earliest_at') and getvariable('latest_at')"
    ).fetchone() or (None, None)
    first_at, last_at = first_at or _EPOCH, last_at or _EPOCH
    set_variables(connection, {"utc_offset_s": offset_s(landing.utility_zone, last_at)})
    segments = wall_segments(landing.task.zone, first_at, last_at)
    day = timedelta(days=3)
    month = month_case(landing.utility_zone, "t", first_at - day, last_at + day)
    for name, body in (
        ("wall_to_utc(t, is_second)", utc_case(segments, "t", "is_second")),
        ("is_fold(t)", kind_case(segments, "t", "fold")),
        ("is_gap(t)", kind_case(segments, "t", "gap")),
        ("month_of(t)", month),
    ):
        connection.execute(f"create or replace temp macro {name} as {body}")


def _refuse(connection: duckdb.DuckDBPyConnection) -> None:
    """List the refused rows; where every read was accepted, without looking for them."""
    read, accepted = connection.execute(
        "select (select count(*) from typed_read), (select count(*) from accepted_read)"
    ).fetchone() or (0, 0)
    set_variables(connection, {"has_refused": read != accepted})
    run_sql(connection, "10_land/rejected_read")


def _write_parts(
    connection: duckdb.DuckDBPyConnection, landing: Landing, kind: Kind
) -> list[LandedPart]:
    """Write each partition, a stretch of the sorted reads.

    The names are joined to the reads, never the reads to the names: the optimiser must not
    turn the join round, or the order would be lost.
    """
    connection.execute("set disabled_optimizers = 'join_order,build_side_probe_side'")
    written = []
    for part in connection.execute("from landed_part").fetchall():
        month, bucket, first_at, last_at, rows, amount_gal, covered_min, repeated = part
        target = landing.task.aside / part_path(kind, month, bucket)
        target.mkdir(parents=True, exist_ok=True)
        set_variables(
            connection,
            {"part_bucket": bucket, "part_from_at": first_at, "part_to_at": last_at},
        )
        connection.execute(_copy_statement(kind, target / f"{landing.file_hash}.parquet"))
        written.append(
            LandedPart(
                landing.file_hash, kind, month, bucket, rows, amount_gal, covered_min, repeated
            )
        )
    connection.execute("set disabled_optimizers = ''")
    return written


def part_path(kind: str, month: str, bucket: int) -> Path:
    """Where a partition lies below the lake."""
    return Path(f"{kind}_read") / f"month={month}" / f"bucket={bucket:02d}"


def _copy_statement(kind: str, target: Path) -> str:
    body = sql_text(f"10_land/{kind}_part").rstrip().rstrip(";")
    return (
        f"copy ({body}\n) to {quoted(target)} "
        "(format parquet, parquet_version v2, row_group_size 131072)"
    )


def _unknown_codes(
    connection: duckdb.DuckDBPyConnection, staged: Staged, rows: int
) -> str | None:
    if not rows:
        return None
    codes = connection.execute(
        f"select distinct trim(quality_text) from ({staged.quality_texts}) "
        "where quality_of(quality_text) is null order by 1 limit 6"
    ).fetchall()
    told = ", ".join(repr(code) for (code,) in codes)
    return (
        f"{rows} reads carry quality codes that are not known ({told}) and are held as "
        "questionable; name the codes in quality_codes"
    )


def _write_rejected(connection: duckdb.DuckDBPyConnection, landing: Landing) -> None:
    row = connection.execute("select count(*) from rejected_read").fetchone()
    if row and row[0]:
        target = landing.task.aside / "rejected" / f"{landing.file_hash}.parquet"
        target.parent.mkdir(parents=True, exist_ok=True)
        connection.execute(
            f"copy (select * exclude (is_line) from rejected_read) to {quoted(target)} "
            "(format parquet)"
        )


def _check(
    balance: dict[str, Any],
    parts: list[LandedPart],
    landing: Landing,
) -> None:
    placed = sum(p.rows_accepted for p in parts)
    if placed != balance["rows_accepted"]:
        raise BalanceError(
            f"{landing.task.path}: {balance['rows_accepted']} rows accepted, "
            f"{placed} written to the lake"
        )


def _row(connection: duckdb.DuckDBPyConnection, query: str) -> dict[str, Any]:
    result = connection.execute(query)
    names = [d[0] for d in result.description or ()]
    row = result.fetchone()
    return dict(zip(names, row or (), strict=True))


def move_in(aside: Path, workspace: Workspace) -> None:
    """Move the files of a finished landing to their places; each move is atomic."""
    for path in sorted(aside.glob("*_read/month=*/bucket=*/*.parquet")):
        _move(path, workspace.interval_reads.parent / path.relative_to(aside))
    for path in sorted((aside / "rejected").glob("*.parquet")):
        _move(path, workspace.rejected / path.name)


def _move(source: Path, target: Path) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    os.replace(source, target)


def take_out(file_hash: str, workspace: Workspace) -> None:
    """Remove every lake file and the refused rows of a landing."""
    lake = workspace.interval_reads.parent
    for path in lake.glob(f"*_read/month=*/bucket=*/{file_hash}.parquet"):
        path.unlink(missing_ok=True)
    (workspace.rejected / f"{file_hash}.parquet").unlink(missing_ok=True)


def landing_folder(workspace: Workspace) -> Path:
    """Where landings under way lie."""
    return workspace.root / "landing"


def sweep_up(connection: duckdb.DuckDBPyConnection, workspace: Workspace) -> None:
    """Take back what an interrupted landing left: half a file never counts."""
    folder = landing_folder(workspace)
    if not folder.is_dir():
        return
    entered = ledger.landed_hashes(connection)
    for aside in sorted(folder.iterdir()):
        for stale in _named_in(aside):
            if stale not in entered:
                take_out(stale, workspace)
        shutil.rmtree(aside, ignore_errors=True)


def _named_in(aside: Path) -> list[str]:
    """The landing itself, and the one it was to replace."""
    marker = aside / "replaces"
    return [aside.name, *([marker.read_text().strip()] if marker.is_file() else [])]
