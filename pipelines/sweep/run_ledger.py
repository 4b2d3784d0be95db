"""Sweeps that ran and the cost of their stages: `ledger.sweep_run`, `ledger.stage_metric`."""

from __future__ import annotations

import datetime as dt
import os
from dataclasses import dataclass
from typing import Any, Final

import duckdb

from pipelines.store.warehouse import run_sql, work_database
from pipelines.store.workspace import Workspace
from pipelines.work.observe import StageCost

_TABLES: Final = ("90_observe/sweep_run", "90_observe/stage_metric")
_MESSAGE_LENGTH: Final = 2000
ENDED_WELL: Final = ("published", "unchanged")


@dataclass(frozen=True)
class SweepRun:
    """One row of `ledger.sweep_run`; times in UTC, without zone."""

    sweep_id: str
    kind: str
    host: str
    pid: int
    started_at: dt.datetime
    finished_at: dt.datetime | None
    outcome: str
    message: str | None
    is_partial: bool | None


def record_start(
    workspace: Workspace, sweep_id: str, *, kind: str, started_at: dt.datetime
) -> None:
    """Record that a sweep has started."""
    with work_database(workspace) as work:
        _prepare(work)
        work.execute(
            "insert into ledger.sweep_run values (?, ?, ?, ?, ?, null, 'running', null, null)",
            [sweep_id, kind, os.uname().nodename, os.getpid(), _naive(started_at)],
        )


def record_end(
    workspace: Workspace,
    sweep_id: str,
    costs: list[StageCost],
    *,
    outcome: str,
    message: str | None = None,
    is_partial: bool | None = None,
) -> None:
    """Record how a sweep ended, and the cost of its stages."""
    ended_at = _naive(dt.datetime.now(dt.UTC))
    shortened = None if message is None else message[:_MESSAGE_LENGTH]
    with work_database(workspace) as work:
        _prepare(work)
        work.execute(
            "update ledger.sweep_run set finished_at = ?, outcome = ?, message = ?,"
            " is_partial = ? where sweep_id = ?",
            [ended_at, outcome, shortened, is_partial, sweep_id],
        )
        for cost in costs:
            work.execute(
                "insert or replace into ledger.stage_metric values (?, ?, ?, ?, ?, ?, ?, ?)",
                [
                    sweep_id,
                    cost.stage,
                    _naive(cost.started_at),
                    cost.duration_s,
                    cost.item_count,
                    cost.row_count,
                    cost.peak_mb,
                    cost.outcome,
                ],
            )


def recent_runs(work: duckdb.DuckDBPyConnection) -> list[SweepRun]:
    """The newest sweeps, newest first; none where no sweep was recorded."""
    if not _has_table(work, "sweep_run"):
        return []
    return [SweepRun(*row) for row in run_sql(work, "90_observe/recent_run").fetchall()]


def stage_rows(work: duckdb.DuckDBPyConnection, sweep_id: str) -> list[dict[str, Any]]:
    """Stages of one sweep with their cost, in the order they ran."""
    if not _has_table(work, "stage_metric"):
        return []
    found = run_sql(work, "90_observe/recent_stage", {"sweep_id": sweep_id})
    names = [column[0] for column in found.description or ()]
    return [dict(zip(names, row, strict=True)) for row in found.fetchall()]


def _prepare(work: duckdb.DuckDBPyConnection) -> None:
    work.execute("create schema if not exists ledger")
    for relation in _TABLES:
        run_sql(work, relation)


def _has_table(work: duckdb.DuckDBPyConnection, name: str) -> bool:
    found = work.execute(
        "select count(*) from information_schema.tables"
        " where table_schema = 'ledger' and table_name = ?",
        [name],
    ).fetchone()
    return bool(found and found[0])


def _naive(at: dt.datetime) -> dt.datetime:
    return at.astimezone(dt.UTC).replace(tzinfo=None)
