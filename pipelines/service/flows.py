"""The sweep as Prefect flows: nightly, monthly, on demand.

Each flow runs the stages of `pipelines.sweep.stages`, one task per stage, and the bucket work
as some tens of tasks, never one per account. What a stage does is defined there.

A stage is retried only after an input/output error: a failed configuration, balance or
validation would fail again. Prefect's result storage is not used, since every stage finds in
the workspace what is done already.

A run's parameters come from anyone who can reach the Prefect API. What they must not set, such
as the configuration, is not a parameter: see `pipelines.service.run_bounds`.
"""

from __future__ import annotations

import os
import signal
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Final

os.environ.setdefault("PREFECT_SERVER_ANALYTICS_ENABLED", "false")
os.environ.setdefault("DO_NOT_TRACK", "1")
# Without an API, a flow would start a temporary server that does not require a secret.
os.environ.setdefault("PREFECT_SERVER_ALLOW_EPHEMERAL_MODE", "false")

import duckdb
from prefect import Task, flow, task
from prefect.cache_policies import NO_CACHE
from prefect.client.schemas.objects import State, TaskRun
from prefect.exceptions import TerminationSignal
from prefect.runtime import flow_run
from prefect.states import Cancelled
from prefect.tasks import exponential_backoff
from pydantic import Field

from pipelines.commands.preview import preview
from pipelines.commands.program import program
from pipelines.commands.program_summary import write_program
from pipelines.configuration.load_settings import Loaded, load
from pipelines.service.dead_runs import end_dead_runs
from pipelines.service.flow_artifacts import show_outcome, show_preview, show_program
from pipelines.service.notify import noted
from pipelines.service.prefect_pool import prefect_pool
from pipelines.service.run_bounds import run_bounds
from pipelines.store.private_files import private_umask
from pipelines.sweep.stages import Stage
from pipelines.sweep.state import Sweep, SweepOrder
from pipelines.sweep.sweep import SweepOutcome, sweep_with
from pipelines.work.observe import LOG_JSON, log_to
from rightsize.errors import ConfigError

RETRIES: Final = 3
BACKOFF_S = 20.0
"""Wait before the first retry; doubles with each retry."""
NIGHTLY_TIMEOUT_S: Final = 12 * 3600
LONG_TIMEOUT_S: Final = 36 * 3600

Month = Annotated[str, Field(pattern=r"^\d{4}-(0[1-9]|1[0-2])$")]
Workers = Annotated[int, Field(ge=1)]


@flow(name="nightly", timeout_seconds=NIGHTLY_TIMEOUT_S)
def nightly(workers: Workers | None = None) -> State[Any] | str:
    """New files only: load them, update their profiles, publish if anything changed."""
    return _sweep(SweepOrder(kind="nightly"), workers)


@flow(name="monthly", timeout_seconds=LONG_TIMEOUT_S)
def monthly(
    workers: Workers | None = None,
    budget_usd: Annotated[float, Field(ge=0)] | None = None,
    crews: Annotated[int, Field(ge=1)] | None = None,
) -> State[Any] | str:
    """Assess the whole fleet again and publish, whether anything changed or not.

    With a budget, the year's replacement program is chosen and written beside the results as
    `program.csv`.
    """
    order = SweepOrder(kind="monthly", reassess=True)
    result = _sweep(order, workers)
    if budget_usd is not None and isinstance(result, str):
        choose_program(load(run_bounds().config), budget_usd, crews)
    return result


@flow(name="on-demand", timeout_seconds=LONG_TIMEOUT_S)
def on_demand(
    accounts: list[str] | None = None,
    from_month: Month | None = None,
    to_month: Month | None = None,
    full: bool = False,
    workers: Workers | None = None,
) -> State[Any] | str:
    """A preview of accounts, which publishes nothing; or a sweep that rebuilds months.

    Profiles of `from_month` to `to_month` (as 2025-01) are rebuilt from stored reads, after
    all new files are loaded; `full` does so for every month.
    """
    if accounts:
        return _preview(accounts, workers)
    months = months_between(from_month, to_month)
    order = SweepOrder(kind="on-demand", full=full, months=months, reassess=bool(months))
    return _sweep(order, workers)


@task(retries=1, persist_result=False, cache_policy=NO_CACHE)
def choose_program(loaded: Loaded, budget_usd: float, crews: int | None) -> Path:
    """The year's change-outs under a budget, as a file beside the results."""
    workspace = loaded.workspace
    outcome = program(
        workspace.results,
        loaded.thresholds,
        budget_usd=budget_usd,
        crews=crews,
        units=loaded.settings.units,
    )
    target = workspace.published / "program.csv"
    aside = target.with_name(f".{uuid.uuid4().hex}.csv")
    write_program(outcome, aside)
    workspace.show_to_group(aside)
    os.replace(aside, target)
    show_program(outcome)
    return target


def stage_as_task(stage: Stage, sweep: Sweep) -> None:
    """Run a stage in this process, as a task of the flow."""
    Task(
        named_work(stage, sweep),
        name=stage.name,
        retries=RETRIES,
        retry_delay_seconds=exponential_backoff(BACKOFF_S),
        retry_jitter_factor=0.2,
        retry_condition_fn=is_input_output,
        cache_policy=NO_CACHE,
        persist_result=False,
    )()


def named_work(stage: Stage, sweep: Sweep) -> Callable[[], None]:
    """The stage's work as a function without arguments, which Prefect would inspect."""
    here = _HereOnly(sweep)

    def run_stage() -> None:
        try:
            stage.run(here.sweep)
        except KeyboardInterrupt as stopped:
            # Raised by Prefect's signal handler, unless a statement suppressed it.
            raise TerminationSignal(signal.SIGTERM) from stopped

    run_stage.__name__ = stage.name
    run_stage.__doc__ = f"The {stage.name} stage."
    return run_stage


@dataclass(frozen=True)
class _HereOnly:
    """A sweep that stays in its process.

    With bucket work, Prefect sends the worker the parent task, the stage. The contents of the
    stage are not needed there, and its connections could not be sent.
    """

    sweep: Any

    def __reduce__(self) -> tuple[type[_HereOnly], tuple[None]]:
        return _HereOnly, (None,)


def is_input_output(of: Task[Any, Any], task_run: TaskRun, state: State[Any]) -> bool:
    """Whether a retry may help: storage or network errors, never wrong input."""
    error = state.result(raise_on_failure=False)
    return isinstance(error, OSError | duckdb.IOException)


def months_between(first: str | None, last: str | None) -> tuple[str, ...]:
    """Every month from first to last; if only one is given, that month."""
    start, end = first or last, last or first
    if start is None or end is None:
        return ()
    if end < start:
        raise ConfigError(f"to_month {end} is before from_month {start}")
    (year, month), months = map(int, start.split("-")), []
    while f"{year:04d}-{month:02d}" <= end:
        months.append(f"{year:04d}-{month:02d}")
        year, month = (year, month + 1) if month < 12 else (year + 1, 1)
    return tuple(months)


def _sweep(order: SweepOrder, workers: int | None) -> State[Any] | str:
    bounds = run_bounds()
    private_umask()
    loaded = load(bounds.config)
    if skipped := _busy(loaded):
        return skipped
    end_dead_runs(loaded, but=flow_run.id)

    def run() -> SweepOutcome:
        workspace = loaded.workspace
        with (
            log_to(workspace.logs, to_stderr=LOG_JSON in os.environ),
            prefect_pool(workspace, workers=workers, scheduler=bounds.scheduler) as pool,
        ):
            return sweep_with(loaded, order, pool, call=stage_as_task)

    outcome = noted(loaded, bounds.notify, run)
    return show_outcome(outcome)


def _preview(accounts: list[str], workers: int | None) -> State[Any] | str:
    bounds = run_bounds()
    loaded = load(bounds.config)
    if skipped := _busy(loaded):
        return skipped
    workspace = loaded.workspace
    with prefect_pool(workspace, workers=workers, scheduler=bounds.scheduler) as pool:
        return show_preview(preview(loaded, accounts, pool))


def _busy(loaded: Loaded) -> State[Any] | None:
    """One sweep per workspace: a run that finds another running is skipped, not failed."""
    holder = loaded.workspace.holder()
    if holder is None:
        return None
    who = f"{holder.kind} by process {holder.pid} on {holder.host} since {holder.since_text}"
    return Cancelled(name="Skipped", message=f"skipped: the workspace is in use by {who}")
