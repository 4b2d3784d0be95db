"""One sweep from start to end: lock the workspace, run the stages, record the run."""

from __future__ import annotations

import datetime as dt
import logging
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass

from rich.console import Console

from pipelines.configuration.fleet import load_fleet
from pipelines.configuration.load_settings import Loaded
from pipelines.stages.land.land import LandSummary
from pipelines.stages.land.old_reads import DeletedReads
from pipelines.stages.meter_tests.program import check_rules
from pipelines.stages.profile.profile import ProfileSummary
from pipelines.stages.publish.publish import PublishSummary
from pipelines.stages.validate.validate import ValidationSummary, outcome_text
from pipelines.store.lake_claim import claim_lake
from pipelines.store.lake_partition import month_folder
from pipelines.store.leftovers import drop_left, drop_of_the_dead
from pipelines.store.workspace import Workspace
from pipelines.sweep.run_ledger import record_end, record_start
from pipelines.sweep.stages import Call, Stage, run_stages
from pipelines.sweep.state import Sweep, SweepOrder
from pipelines.sweep.summary import show_summary
from pipelines.work.bucket_work import Pool, Progress, local_pool
from pipelines.work.cluster import dask_pool
from pipelines.work.observe import StageCost, concerning, event, outcome_of
from rightsize.contracts.sweep_record import Reconciliation

_SHOWN = 10


@dataclass(frozen=True)
class SweepOutcome:
    """How a sweep ended, for its summary and its exit code."""

    loaded: Loaded
    workspace: Workspace
    sweep_id: str
    landed: LandSummary
    deleted: DeletedReads
    validated: ValidationSummary
    profiled: ProfileSummary
    reconciliation: Reconciliation | None
    published: PublishSummary | None
    copied_file_count: int
    costs: tuple[StageCost, ...]
    seconds: float
    is_partial: bool


def run_sweep(
    loaded: Loaded,
    order: SweepOrder | None = None,
    *,
    workers: int | None = None,
    scheduler: str | None = None,
    progress: Progress | None = None,
) -> SweepOutcome:
    """Land, validate, profile, learn, verify, assess, reconcile, publish; threads or a cluster.

    Where nothing that a result rests on has changed since the last publication, nothing is
    published and `published` is None.

    Raises
    ------
    ConfigError
        If the configuration or one of its files cannot be used, or no cluster answers.
    WorkspaceBusyError
        If another sweep holds the workspace.
    ValidationError
        If a suite failed that the configuration lets stop a sweep.
    BalanceError, ContractError
        If rows, accounts or a promise of a table do not hold; nothing is published then.
    """
    with sweep_pool(loaded, workers=workers, scheduler=scheduler) as pool:
        return sweep_with(loaded, order or SweepOrder(), pool, progress=progress)


@contextmanager
def sweep_pool(
    loaded: Loaded, *, workers: int | None = None, scheduler: str | None = None
) -> Iterator[Pool]:
    """Threads of this process, or the workers of a Dask cluster."""
    if scheduler is None:
        with local_pool(workers) as pool:
            yield pool
    else:
        with dask_pool(scheduler, loaded.workspace) as pool:
            yield pool


def sweep_with(
    loaded: Loaded,
    order: SweepOrder,
    pool: Pool,
    *,
    call: Call = Stage.run,
    progress: Progress | None = None,
) -> SweepOutcome:
    """Hold the workspace, run the stages by `call` with the pool, record how it went."""
    began_at = dt.datetime.now(dt.UTC)
    fleet = load_fleet(loaded)
    check_rules(loaded, fleet.settings.catalogue)
    sweep = Sweep(
        loaded=loaded,
        fleet=fleet,
        workspace=loaded.workspace,
        order=order,
        pool=pool,
        progress=progress or (lambda stage, done, total: None),
        began_at=began_at,
    )
    with (
        sweep.workspace.hold(order.kind),
        concerning(sweep=sweep.sweep_id, kind=order.kind),
        _recorded(sweep),
    ):
        claim_lake(sweep.workspace)
        _clear(sweep)
        run_stages(sweep, call)
        sweep.workspace.show_to_group()
    return _outcome(sweep)


@contextmanager
def _recorded(sweep: Sweep) -> Iterator[None]:
    """Record in the ledger that the sweep ran, its outcome and the cost of its stages."""
    sweep.workspace.create()
    workspace, sweep_id = sweep.workspace, sweep.sweep_id
    record_start(workspace, sweep_id, kind=sweep.order.kind, started_at=sweep.began_at)
    event("sweep begins", config=str(sweep.loaded.path), full=sweep.order.full)
    try:
        yield
    except BaseException as error:
        outcome, message = outcome_of(error), f"{type(error).__name__}: {error}"
        event("sweep ends", level=logging.ERROR, outcome=outcome, error=message)
        with suppress(Exception):  # such as a full disk: report the first error
            record_end(workspace, sweep_id, sweep.costs, outcome=outcome, message=message)
        raise
    outcome = "unchanged" if sweep.published is None else "published"
    is_partial = _is_partial(sweep)
    record_end(workspace, sweep_id, sweep.costs, outcome=outcome, is_partial=is_partial)
    event("sweep ends", outcome=outcome, is_partial=is_partial)


def _clear(sweep: Sweep) -> None:
    """Remove leftovers of crashes, and the profiles to be rebuilt."""
    workspace = sweep.workspace
    _drop_left(workspace)
    storage = workspace.storage
    if sweep.order.full:
        storage.keep_folders(workspace.profile, "*", ())
    for month in sweep.order.months:
        storage.keep_folders(workspace.profile, month_folder(month), ())
    workspace.create()


def _drop_left(workspace: Workspace) -> None:
    """Remove what processes that died left: spill, copies, halves of small files and pages."""
    drop_left(workspace.scratch)
    for folder in (
        workspace.root,
        workspace.published,
        workspace.published / "pages" / "sites",
        workspace.campaign,
        workspace.campaign / "work_orders",
        workspace.campaign / "work_orders" / "logs",
    ):
        drop_of_the_dead(folder, ".*")


def _outcome(sweep: Sweep) -> SweepOutcome:
    return SweepOutcome(
        loaded=sweep.loaded,
        workspace=sweep.workspace,
        sweep_id=sweep.sweep_id,
        landed=sweep.landed,
        deleted=sweep.deleted,
        validated=sweep.validated,
        profiled=sweep.profiled,
        reconciliation=sweep.reconciliation,
        published=sweep.published,
        copied_file_count=sweep.copied_file_count,
        costs=tuple(sweep.costs),
        seconds=(dt.datetime.now(dt.UTC) - sweep.began_at).total_seconds(),
        is_partial=_is_partial(sweep),
    )


def _is_partial(sweep: Sweep) -> bool:
    limits = sweep.loaded.thresholds
    landed, counted = sweep.landed, sweep.reconciliation
    rejected = landed.rows_rejected / max(landed.rows_landed, 1)
    if landed.unread or rejected > limits.tolerated_rejected_share:
        return True
    if counted is None or not counted.accounts:
        return False
    return counted.not_assessed / counted.accounts > limits.tolerated_not_assessed_share


def show_outcome(outcome: SweepOutcome, console: Console) -> None:
    """The final summary; files that could not be read and failed checks come first."""
    unread = outcome.landed.unread
    for problem in unread[:_SHOWN]:
        console.print(problem, soft_wrap=True)
    if len(unread) > _SHOWN:
        console.print(f"and {len(unread) - _SHOWN:,} more files not loaded")
    if gone := outcome.deleted:
        console.print(
            f"deleted, as keep_reads_months says: {gone.reads:,} reads of {len(gone.months):,}"
            f" months before {gone.kept_from} and {gone.rejected_rows:,} rejected rows",
            soft_wrap=True,
        )
    unmet = (*outcome.validated.failed, *outcome.validated.warned)
    for warning in unmet[:_SHOWN]:
        console.print(f"validation: {outcome_text(warning)}", soft_wrap=True)
    if len(unmet) > _SHOWN:
        console.print(
            f"and {len(unmet) - _SHOWN:,} more; see the validation page in the published folder"
        )
    if outcome.published is None:
        console.print("Nothing new: the published results are up to date.")
    else:
        show_summary(outcome.workspace.results, console)
    console.print(f"results: {outcome.workspace.results}", soft_wrap=True)
    if outcome.copied_file_count:
        console.print(
            f"copied to {outcome.loaded.settings.copy_results_to}: all published tables,"
            f" customers' names and addresses included ({outcome.copied_file_count:,} files)",
            soft_wrap=True,
        )
    pages = outcome.workspace.published / "pages" / "index.html"
    if pages.is_file():
        console.print(f"pages: {pages}", soft_wrap=True)
    console.print(
        f'next: rightsize query {outcome.loaded.path} "select * from flagged_account limit 20"',
        soft_wrap=True,
    )
    console.print(f"time: {outcome.seconds:,.1f} s")
