"""Checks the health of a workspace without disturbing a running sweep.

Nothing is written. While a sweep has the working database open, checks that need it are
skipped; the lock shows that a sweep is running.
"""

from __future__ import annotations

import datetime as dt
import enum
import json
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Final

import duckdb
from rich import box
from rich.console import Console
from rich.table import Table

from pipelines.configuration.load_settings import Loaded
from pipelines.stages.publish.history import open_held
from pipelines.store.file_stamp import export_paths
from pipelines.store.resources import sql_text
from pipelines.store.warehouse import WORK_CURE, not_opened
from pipelines.store.workspace import Holder, Workspace
from pipelines.sweep.run_ledger import ENDED_WELL, SweepRun, recent_runs, stage_rows
from rightsize.errors import DamageError, RightsizeError, WorkspaceBusyError

_HOUR_S: Final = 3600
_BYTES_PER_GB: Final = 1e9
_ROOM_FOR_RESULTS: Final = 3
"""Publication holds the old results, the new ones and their Parquet copy at once."""


class State(enum.IntEnum):
    """State of a check; the workspace has the worst state of its checks."""

    ok = 0
    warning = 1
    failing = 2


@dataclass(frozen=True)
class Limits:
    """Limits above which a check warns or fails."""

    max_age_hours: float = 36.0  # one nightly sweep plus 12 h to respond
    max_hold_hours: float = 12.0
    min_free_gb: float = 5.0


@dataclass(frozen=True)
class Check:
    """One check and its result."""

    name: str
    state: State
    text: str


@dataclass(frozen=True)
class Health:
    """All checks, and the cost of each stage of the last sweep."""

    checks: tuple[Check, ...]
    stages: tuple[dict[str, Any], ...] = ()

    @property
    def state(self) -> State:
        """The worst state."""
        return max((c.state for c in self.checks), default=State.ok)


@dataclass(frozen=True)
class _Ledger:
    """What the working database says; empty while a sweep is writing it."""

    runs: tuple[SweepRun, ...] = ()
    stages: tuple[dict[str, Any], ...] = ()
    seen: dict[str, tuple[int, int]] = field(default_factory=dict)
    problems: tuple[str, ...] = ()
    failed_suites: tuple[str, ...] = ()


def health(loaded: Loaded, limits: Limits | None = None) -> Health:
    """Run all checks."""
    within = limits or Limits()
    workspace = loaded.workspace
    holder = workspace.holder()
    checks = [_lock(workspace, holder, within), _disk(workspace, within), _results(workspace)]
    try:
        known = _ledger(workspace)
    except DamageError as error:
        checks.append(Check("ledger", State.failing, str(error)))
        return Health((_published(workspace, within), *checks))
    if known is None:
        checks.append(Check("ledger", State.ok, "in use by a running sweep; check again later"))
        return Health((_published(workspace, within), *checks))
    checks += [_last_run(known, holder), _backlog(loaded, known, within)]
    if known.problems:
        checks.append(Check("files", State.warning, "; ".join(known.problems[:3])))
    if known.failed_suites:
        text = "; ".join(known.failed_suites[:3])
        checks.append(Check("validation", State.warning, text))
    return Health((_last_sweep(known, within), *checks), known.stages)


def _last_sweep(known: _Ledger, limits: Limits) -> Check:
    """A sweep that found nothing new confirms the results as well as one that published."""
    well = next((r for r in known.runs if r.outcome in ENDED_WELL), None)
    if well is None or well.finished_at is None:
        return Check(
            "last sweep", State.failing, "no sweep has succeeded yet; run `rightsize sweep`"
        )
    return _age("last sweep", well.finished_at.replace(tzinfo=dt.UTC), well.outcome, limits)


def _published(workspace: Workspace, limits: Limits) -> Check:
    if not workspace.results.is_file():
        return Check(
            "last sweep", State.warning, "no results published yet; a sweep is running"
        )
    at = dt.datetime.fromtimestamp(workspace.results.stat().st_mtime, dt.UTC)
    return _age("last sweep", at, "published", limits)


def _age(name: str, at: dt.datetime, what: str, limits: Limits) -> Check:
    hours = (dt.datetime.now(dt.UTC) - at).total_seconds() / _HOUR_S
    state = State.failing if hours > limits.max_age_hours else State.ok
    text = f"{what} {hours:.1f} h ago ({at:%Y-%m-%d %H:%M} UTC)"
    return Check(name, state, text + _over(state, f"{limits.max_age_hours:g} h"))


def _lock(workspace: Workspace, holder: Holder | None, limits: Limits) -> Check:
    if holder is None:
        dead = workspace.left_behind()
        if dead is None:
            return Check("lock", State.ok, "free")
        return Check(
            "lock",
            State.ok,
            f"free; process {dead.pid} on {dead.host} died in a sweep; the next one resumes",
        )
    hours = (dt.datetime.now(dt.UTC).timestamp() - holder.since) / _HOUR_S
    state = State.failing if hours > limits.max_hold_hours else State.ok
    text = f"held by {holder.kind}, process {holder.pid} on {holder.host}, for {hours:.1f} h"
    return Check("lock", state, text + _over(state, f"{limits.max_hold_hours:g} h"))


def _disk(workspace: Workspace, limits: Limits) -> Check:
    place = next(p for p in (workspace.root, *workspace.root.parents) if p.is_dir())
    free_gb = shutil.disk_usage(place).free / _BYTES_PER_GB
    results = workspace.results
    need_gb = _ROOM_FOR_RESULTS * (results.stat().st_size if results.is_file() else 0)
    wanted_gb = max(limits.min_free_gb, need_gb / _BYTES_PER_GB)
    state = State.failing if free_gb < wanted_gb else State.ok
    text = f"{free_gb:,.1f} GB free"
    return Check("disk", state, text + _over(state, f"at least {wanted_gb:,.1f} GB"))


def _results(workspace: Workspace) -> Check:
    """Whether the published results can be read."""
    if not workspace.results.is_file():
        return Check("results", State.ok, "nothing published yet")
    try:
        with open_held(workspace.results):
            return Check("results", State.ok, "readable")
    except WorkspaceBusyError as error:
        return Check("results", State.warning, str(error))
    except RightsizeError as error:
        return Check("results", State.failing, str(error))


def _last_run(known: _Ledger, holder: Holder | None) -> Check:
    if not known.runs:
        return Check("last run", State.warning, "no sweep has run yet")
    last = known.runs[0]
    text = f"{last.kind} {last.sweep_id}: {last.outcome}"
    if last.outcome == "running":
        if holder is not None:
            return Check("last run", State.ok, text)
        return Check(
            "last run", State.failing, f"{text}, but its process is gone; run the sweep again"
        )
    if last.outcome not in ENDED_WELL:
        return Check("last run", State.failing, f"{text}: {last.message}")
    if last.is_partial:
        return Check(
            "last run",
            State.warning,
            f"{text}; some inputs rejected or some accounts not assessed",
        )
    return Check("last run", State.ok, text)


def _backlog(loaded: Loaded, known: _Ledger, limits: Limits) -> Check:
    """Export files that are new or changed since the last sweep."""
    waiting = [s for s in _export_stats(loaded) if known.seen.get(s[0]) != s[1:]]
    if not waiting:
        return Check("backlog", State.ok, "all export files have been read")
    oldest_s = min(modified_ns for _, _, modified_ns in waiting) / 1e9
    hours = (dt.datetime.now(dt.UTC).timestamp() - oldest_s) / _HOUR_S
    state = State.failing if hours > limits.max_age_hours else State.ok
    text = f"unread files: {len(waiting):,}, the oldest for {hours:.1f} h"
    return Check("backlog", state, text + _over(state, f"{limits.max_age_hours:g} h"))


def _export_stats(loaded: Loaded) -> Iterator[tuple[str, int, int]]:
    for export in loaded.settings.exports:
        for path in export_paths(loaded.export_place(export))[0]:
            try:
                stat = path.stat()
            except OSError:
                continue
            yield str(path), stat.st_size, stat.st_mtime_ns


def _over(state: State, limit: str) -> str:
    return f"; limit: {limit}" if state is State.failing else ""


def _ledger(workspace: Workspace) -> _Ledger | None:
    if not workspace.database.is_file():
        return _Ledger()
    try:
        with _reading(workspace.database) as work:
            runs = tuple(recent_runs(work))
            return _Ledger(
                runs=runs,
                stages=tuple(stage_rows(work, _costly(runs))) if runs else (),
                seen=_seen(work),
                problems=tuple(_column(work, "90_observe/file_problem", "file_problem")),
                failed_suites=tuple(
                    _column(work, "90_observe/failed_suite", "validation_result")
                ),
            )
    except duckdb.Error as error:
        told = not_opened(workspace.database, error, WORK_CURE)
        if isinstance(told, WorkspaceBusyError):
            return None
        raise DamageError(str(told)) from None


def _costly(runs: tuple[SweepRun, ...]) -> str:
    """The newest sweep that published; one with nothing new has no typical cost."""
    return next((r.sweep_id for r in runs if r.outcome == "published"), runs[0].sweep_id)


@contextmanager
def _reading(database: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    connection = duckdb.connect(str(database), read_only=True)
    try:
        yield connection
    finally:
        connection.close()


def _seen(work: duckdb.DuckDBPyConnection) -> dict[str, tuple[int, int]]:
    if not _has(work, "seen_path"):
        return {}
    rows = work.execute("select path, bytes, modified_ns from ledger.seen_path").fetchall()
    return {path: (int(size), int(modified)) for path, size, modified in rows}


def _column(work: duckdb.DuckDBPyConnection, relation: str, table: str) -> list[str]:
    if not _has(work, table):
        return []
    return [row[0] for row in work.execute(sql_text(relation)).fetchall()]


def _has(work: duckdb.DuckDBPyConnection, table: str) -> bool:
    found = work.execute(
        "select 1 from information_schema.tables"
        " where table_schema = 'ledger' and table_name = ?",
        [table],
    ).fetchone()
    return found is not None


def show_health(found: Health, console: Console) -> None:
    """One line per check, then the cost of each stage of the last sweep."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for heading in ("check", "state", "details"):
        table.add_column(heading, overflow="fold")
    for check in found.checks:
        table.add_row(check.name, check.state.name, check.text)
    console.print(table)
    if not found.stages:
        return
    costs = Table(
        title="Resources used by the last published sweep",
        title_justify="left",
        box=box.SIMPLE_HEAD,
    )
    costs.add_column("stage")
    for heading in ("time, s", "items", "rows", "peak memory, MB"):
        costs.add_column(heading, justify="right")
    for row in found.stages:
        costs.add_row(
            row["stage"],
            f"{row['duration_s']:,.1f}",
            f"{row['item_count']:,}",
            f"{row['row_count']:,}",
            f"{row['peak_mb']:,.0f}",
        )
    console.print(costs)


def as_json(found: Health) -> str:
    """The same as JSON."""
    checks = [{**asdict(c), "state": c.state.name} for c in found.checks]
    return json.dumps(
        {"state": found.state.name, "checks": checks, "stages": list(found.stages)}, default=str
    )
