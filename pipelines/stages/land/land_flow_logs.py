"""Land the files of flow loggers: rows into the lake, rejected rows aside, one ledger row."""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import duckdb
import polars as pl

from pipelines.configuration.load_settings import FlowLogSettings, Loaded
from pipelines.sources.flow_log_file import LoggerFile, read_flow_log
from pipelines.stages.land.lake_parts import landing_folder
from pipelines.stages.land.land_file import latest_at, read_limits
from pipelines.store import ledger
from pipelines.store.checksum import PROMISE, seal
from pipelines.store.file_stamp import (
    ExportPlace,
    FileProblem,
    content_hash,
    export_paths,
    unreadable,
)
from pipelines.store.storage import DiskStorage
from pipelines.store.warehouse import work_database
from pipelines.store.workspace import Workspace
from rightsize.errors import BalanceError, ConfigError, DamageError

_READING_VERSION: Final = 2
"""Increased when the same bytes would give other samples; all logs are then read again."""
_GAL_TOLERANCE: Final = 1e-9  # [1] of the volume: sums in another order


@dataclass(frozen=True)
class LandedLogs:
    """Logs that this run loaded, how many it knew, and what could not be read."""

    landed: int = 0
    known: int = 0
    rows: int = 0
    rejected: int = 0
    problems: tuple[FileProblem, ...] = ()


def land_flow_logs(loaded: Loaded, workspace: Workspace) -> LandedLogs:
    """Land every new log of the configuration.

    A log is identified by its content and how it is read, so it lands once. A file of the same
    path or content that landed before is replaced: a corrected file is sent under its old name.
    """
    written = loaded.settings.flow_logs
    if written is None:
        return LandedLogs()
    place = ExportPlace.of(loaded.folder, written.path)
    paths, troubled = export_paths(place)
    problems = list(troubled)
    landed, known, rows, rejected = 0, 0, 0, 0
    with work_database(workspace) as work:
        ledger.prepare(work)
        _drop_strays(work, workspace, paths)
        read_as = _read_as(written, loaded.settings.timezone)
        for path in paths:
            try:
                row = _land_one(path, written, read_as, loaded, workspace, work)
            except OSError as error:
                problems.append(unreadable(path, error))
            except ConfigError as error:
                problems.append(FileProblem(path, "file_columns", str(error)))
            else:
                known += row is None
                landed += row is not None
                rows += row["rows_landed"] if row else 0
                rejected += row["rows_rejected"] if row else 0
        _note(work, problems)
    return LandedLogs(landed, known, rows, rejected, tuple(problems))


def landed_logs(workspace: Workspace) -> pl.DataFrame:
    """The ledger's rows of landed logs, in a fixed order."""
    with work_database(workspace) as work:
        ledger.prepare(work)
        found: pl.DataFrame = work.sql(
            "from ledger.landed_flow_log order by meter_id, account_id, first_at, file_hash"
        ).pl()
    return found


def logs_fingerprint(logs: pl.DataFrame) -> str:
    """Fingerprint of all landed logs; empty without any."""
    if logs.is_empty():
        return ""
    names = "\n".join(sorted(logs["file_hash"].to_list()))
    return hashlib.sha256(names.encode()).hexdigest()[:24]


def _read_as(written: FlowLogSettings, zone: str) -> str:
    parts = [_READING_VERSION, zone, read_limits(), written.model_dump(exclude={"path"})]
    text = json.dumps(parts, sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def _land_one(
    path: Path,
    written: FlowLogSettings,
    read_as: str,
    loaded: Loaded,
    workspace: Workspace,
    work: duckdb.DuckDBPyConnection,
) -> dict[str, Any] | None:
    """Load one log; None if it was loaded before."""
    digest, _ = content_hash(path)
    file_hash = hashlib.sha256(f"{digest} {read_as} log".encode()).hexdigest()[:32]
    if _is_landed(work, file_hash):
        return None
    limits = read_limits()
    log = read_flow_log(
        path,
        written,
        zone=loaded.settings.timezone,
        earliest_at=datetime.fromisoformat(str(limits["earliest_at"])),
        latest_at=latest_at(ledger.now_utc(work)),
        max_flow_gpm=float(limits["max_flow_gpm"]),
    )
    row = _ledger_row(path, log, file_hash=file_hash, content=digest, read_as=read_as)
    _check(path, log, row)
    replaced = _replaced(work, path, digest)
    _put(log, path, file_hash, workspace)
    _enter(work, row, replaced)
    _drop(workspace, [name for name in replaced if name != file_hash])
    return row


def _is_landed(work: duckdb.DuckDBPyConnection, file_hash: str) -> bool:
    found = work.execute(
        "select 1 from ledger.landed_flow_log where file_hash = ?", [file_hash]
    ).fetchone()
    return found is not None


def _ledger_row(
    path: Path, log: LoggerFile, *, file_hash: str, content: str, read_as: str
) -> dict[str, Any]:
    samples, rejected = log.samples, log.rejected
    accepted_gal = float(samples["volume_gal"].sum())
    rejected_gal = float(rejected["amount_gal"].sum())
    return {
        "file_hash": file_hash,
        "content_hash": content,
        "read_as": read_as,
        "path": str(path),
        "account_id": log.account_id,
        "meter_id": log.meter_id,
        "measures": log.measures,
        "step_s": log.step_s,
        "pulse_gal": log.pulse_gal,
        "drift_s_per_day": log.drift_s_per_day,
        "error_pct": log.error_pct,
        "first_at": samples["start_at"].min(),
        "last_at": samples["start_at"].max(),
        "rows_landed": log.rows,
        "rows_accepted": samples.height,
        "rows_rejected": rejected.height,
        "rows_missing": samples["volume_gal"].null_count(),
        "gal_landed": accepted_gal + rejected_gal,
        "gal_accepted": accepted_gal,
        "gal_rejected": rejected_gal,
    }


def _check(path: Path, log: LoggerFile, row: dict[str, Any]) -> None:
    """Rows and volume of the file = accepted + rejected.

    Raises
    ------
    BalanceError
        If a row or its volume was lost: a bug of ours.
    """
    parts = row["rows_accepted"] + row["rows_rejected"]
    off_gal = abs(log.value_gal - row["gal_landed"])
    if parts != row["rows_landed"] or off_gal > _GAL_TOLERANCE * max(log.value_gal, 1.0):
        raise BalanceError(
            f"{path}: {row['rows_landed']:,} rows of {log.value_gal:,.3f} gal read,"
            f" {row['rows_accepted']:,} of {row['gal_accepted']:,.3f} gal accepted,"
            f" {row['rows_rejected']:,} of {row['gal_rejected']:,.3f} gal rejected;"
            " the numbers must add up"
        )


def _put(log: LoggerFile, path: Path, file_hash: str, workspace: Workspace) -> None:
    """The samples into the lake and the rejected rows beside it, each at once."""
    aside = landing_folder(workspace) / f"log-{file_hash}"
    aside.mkdir(parents=True, exist_ok=True)
    samples, refused = aside / "samples.parquet", aside / "rejected.parquet"
    utc = pl.col("start_at").dt.replace_time_zone("UTC")
    _write(log.samples.with_columns(utc, step_s=pl.lit(log.step_s)), samples)
    workspace.storage.put_files({_lake_file(workspace, file_hash): samples})
    if log.rejected.height:
        rows = log.rejected.select(
            pl.lit(str(path)).alias("source_file"),
            "source_line",
            pl.lit(log.meter_id, dtype=pl.String).alias("meter_id"),
            "rule",
            "value",
            "amount_gal",
        )
        _write(rows, refused)
        DiskStorage().put_files({workspace.rejected / f"{file_hash}.parquet": refused})
    os.rmdir(aside)


def _write(frame: pl.DataFrame, path: Path) -> None:
    frame.write_parquet(path, compression="zstd", metadata=PROMISE)
    seal(path)


def _lake_file(workspace: Workspace, file_hash: str) -> Path:
    return workspace.flow_logs / f"{file_hash}.parquet"


def _replaced(work: duckdb.DuckDBPyConnection, path: Path, content: str) -> list[str]:
    """Landed logs of the same path or content, which a new landing replaces."""
    rows = work.execute(
        "select file_hash from ledger.landed_flow_log where path = ? or content_hash = ?",
        [str(path), content],
    ).fetchall()
    return [name for (name,) in rows]


def _enter(work: duckdb.DuckDBPyConnection, row: dict[str, Any], replaced: list[str]) -> None:
    """The ledger's row in place of those replaced: all or none."""
    work.execute("begin")
    try:
        for name in replaced:
            work.execute("delete from ledger.landed_flow_log where file_hash = ?", [name])
        names, marks = ", ".join(row), ", ".join("?" for _ in row)
        work.execute(
            f"insert into ledger.landed_flow_log ({names}, landed_at) values ({marks}, now())",
            [_with_zone(value) for value in row.values()],
        )
        work.execute("commit")
    except Exception:
        work.execute("rollback")
        raise


def _with_zone(value: Any) -> Any:
    if isinstance(value, datetime) and value.tzinfo is None:
        return f"{value.isoformat(sep=' ')}+00"
    return value


def _drop(workspace: Workspace, file_hashes: list[str]) -> None:
    workspace.storage.drop_files([_lake_file(workspace, name) for name in file_hashes])
    for name in file_hashes:
        (workspace.rejected / f"{name}.parquet").unlink(missing_ok=True)


def _drop_strays(
    work: duckdb.DuckDBPyConnection, workspace: Workspace, paths: list[Path]
) -> None:
    """Remove what a landing left that did not end, and land again what the lake lost.

    Raises
    ------
    DamageError
        If the lake lost a log whose file is no longer there: nothing else has its samples.
    """
    entered: dict[str, str] = dict(
        work.execute("select file_hash, path from ledger.landed_flow_log").fetchall()
    )
    held = {p.stem for p in workspace.storage.files(workspace.flow_logs, "*.parquet")}
    _drop(workspace, sorted(held - set(entered)))
    there = {str(path) for path in paths}
    lost = sorted(set(entered) - held)
    for name in lost:
        if entered[name] not in there:
            raise DamageError(
                f"{_lake_file(workspace, name)} is missing, and so is its log,"
                f" {entered[name]}; restore one of them"
            )
    for name in lost:
        work.execute("delete from ledger.landed_flow_log where file_hash = ?", [name])


def _note(work: duckdb.DuckDBPyConnection, problems: list[FileProblem]) -> None:
    """Store logs that could not be loaded beside the exports' problems."""
    if problems:
        work.executemany(
            "insert or replace into ledger.file_problem values (?, ?, ?, now())",
            [[str(p.path), p.code, p.message] for p in problems],
        )
