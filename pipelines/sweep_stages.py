"""The stages of a sweep, in order: one list for the plain command and for the Prefect flows.

A stage takes the sweep under way, does its work by the function of `pipelines.stages` that it
is named for, and leaves what it made on the sweep. A stage may be called again after a failure:
what it has done already is found done.
"""

from __future__ import annotations

import calendar
import datetime as dt
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any, Final

import duckdb
import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipelines import far_blocks, ledger, resume
from pipelines.bucket_work import Pool, Progress, run_all
from pipelines.code_version import code_version, pages_version
from pipelines.copy_results import copy_results, is_copied
from pipelines.fleet import Fleet, by_bucket, in_service
from pipelines.load_settings import Loaded
from pipelines.observe import StageCost, stage_cost
from pipelines.publication.history import Retention
from pipelines.resources import sql_text
from pipelines.sources.fetch import fetch_exports
from pipelines.stages.assess import (
    BucketResult,
    BucketTask,
    FleetSettings,
    assess_bucket,
    blocks,
    write_block,
)
from pipelines.stages.fleet_pages import VERSION_FILE, write_fleet_pages
from pipelines.stages.land import LandSummary, land
from pipelines.stages.profile import ProfileSummary, profile
from pipelines.stages.publish import PublishSummary, publish
from pipelines.stages.read_findings import read_findings
from pipelines.stages.reconcile import SweepInputs, reconcile
from pipelines.stages.validate import Outcome, ValidationSummary, validate
from pipelines.stop import signals_seen
from pipelines.storage import local_paths
from pipelines.warehouse import work_database
from pipelines.workspace import Workspace
from rightsize.contracts.sweep_record import Reconciliation, SweepRecord
from rightsize.demand.reading_findings import finding_frame, unknown_meter_findings
from rightsize.demand.slow_meter import slow_meter_findings
from rightsize.errors import ConfigError, ValidationError
from rightsize.inference.censoring import FleetPrior, learn_from, steady_by_class
from rightsize.inference.kernel_choice import make_kernels
from rightsize.meters.catalogue import Meter


@dataclass(frozen=True)
class SweepOrder:
    """What is asked of a sweep.

    `full` makes profiles and results anew from the lake, `months` (as 2025-01) only the
    profiles of these months, `reassess` publishes even where no input has changed.
    """

    kind: str = "sweep"
    full: bool = False
    reassess: bool = False
    months: tuple[str, ...] = ()


@dataclass
class Sweep:
    """One sweep under way: what it was asked, and what its stages have left so far.

    What follows `costs` is made by the stages; a sweep that finds nothing new has no more than
    the first three.
    """

    loaded: Loaded
    fleet: Fleet
    workspace: Workspace
    order: SweepOrder
    pool: Pool
    progress: Progress
    began_at: dt.datetime
    costs: list[StageCost] = field(default_factory=list)
    landed: LandSummary = field(init=False)
    validated: ValidationSummary = field(init=False)
    profiled: ProfileSummary = field(init=False)
    record: SweepRecord = field(init=False)
    tasks: list[BucketTask] = field(init=False)
    inputs: SweepInputs = field(init=False)
    learnt: FleetPrior = field(init=False)
    reconciliation: Reconciliation | None = None
    published: PublishSummary | None = None

    @property
    def sweep_id(self) -> str:
        """Sorts by time of start."""
        return self.began_at.strftime("%Y%m%dT%H%M%S.%fZ")


@dataclass(frozen=True)
class Stage:
    """A stage's name and its work on a sweep."""

    name: str
    work: Callable[[Sweep, StageCost], None]

    def run(self, sweep: Sweep) -> None:
        """Do the work, and note what it cost."""
        with stage_cost(self.name) as cost, signals_seen():
            sweep.costs.append(cost)
            self.work(sweep, cost)


Call = Callable[[Stage, Sweep], None]


def run_stages(sweep: Sweep, call: Call = Stage.run) -> None:
    """Every stage in order; those that judge only where there is something to judge.

    `call` runs one stage: directly, or as a task of an orchestrator.
    """
    for stage in READING_STAGES:
        call(stage, sweep)
    if has_news(sweep):
        for stage in JUDGING_STAGES:
            call(stage, sweep)
    if pages_are_due(sweep.workspace):
        call(PAGES_STAGE, sweep)
    if sweep.loaded.settings.copy_results_to:
        call(COPY_STAGE, sweep)


def has_news(sweep: Sweep) -> bool:
    """Whether the published results would rest on anything else than they do."""
    asked = sweep.order.full or sweep.order.reassess
    return asked or not is_published(sweep.workspace, sweep.record)


def is_published(workspace: Workspace, record: SweepRecord) -> bool:
    """Whether the published results rest on just what this sweep would rest on."""
    if not workspace.results.is_file():
        return False
    names = ("config_hash", "catalogue_hash", "meters_hash", "lake_hash", "code_version")
    with duckdb.connect(str(workspace.results), read_only=True) as connection:
        row = connection.execute(
            f"select {', '.join(names)} from results.sweep order by sweep_id desc limit 1"
        ).fetchone()
    return row == tuple(getattr(record, name) for name in names)


def pages_are_due(workspace: Workspace) -> bool:
    """Whether the pages show another sweep than the results, or other code would draw them."""
    newest = newest_sweep(workspace)
    if newest is None:
        return False
    pages = (workspace.published / "pages").resolve()
    drawn_by = pages / VERSION_FILE
    is_current = drawn_by.is_file() and drawn_by.read_text(encoding="ascii") == pages_version()
    return newest not in pages.name or not is_current


def newest_sweep(workspace: Workspace) -> str | None:
    """The sweep whose results are published."""
    if not workspace.results.is_file():
        return None
    with duckdb.connect(str(workspace.results), read_only=True) as connection:
        row = connection.execute("select max(sweep_id) from results.sweep").fetchone()
    return None if row is None else row[0]


def _land(sweep: Sweep, cost: StageCost) -> None:
    fetch_exports(sweep.loaded, sweep.workspace)
    sweep.landed = land(sweep.loaded, sweep.workspace, progress=sweep.progress)
    cost.item_count = len(sweep.landed.files)
    cost.row_count = sweep.landed.rows_landed


def _validate(sweep: Sweep, cost: StageCost) -> None:
    sweep.validated = validate(sweep.loaded, sweep.workspace, sweep.landed)
    cost.item_count = len(sweep.validated.outcomes)
    if sweep.validated.must_stop:
        raise ValidationError(_stop_text(sweep.validated))


def profile_lake(sweep: Sweep, cost: StageCost) -> None:
    """Profiles of the lake as it is, and the bucket tasks and inputs that follow from them."""
    sweep.profiled = profile(
        sweep.workspace, timezone=sweep.loaded.settings.timezone, pool=sweep.pool,
        progress=sweep.progress, cost=cost,
    )  # fmt: skip
    cost.item_count = sweep.profiled.made
    sweep.record = record_of(sweep)
    service = in_service(sweep.fleet, as_of=last_day(sweep.profiled))
    sweep.tasks = bucket_tasks(sweep.profiled, service, sweep.record.buckets)
    sweep.inputs = SweepInputs(
        service=service,
        ledger=_landed_files(sweep.workspace),
        profile_folders=sweep.profiled.folders,
    )


def _learn(sweep: Sweep, cost: StageCost) -> None:
    sweep.learnt = learnt_prior(sweep, cost)
    cost.row_count = sum(sweep.learnt.accounts_seen.values())


def learnt_prior(sweep: Sweep, cost: StageCost) -> FleetPrior:
    """What the fleet teaches; kept from a sweep on the same inputs."""
    kept = None if sweep.order.full else resume.kept_prior(sweep.workspace, sweep.record)
    learnt = kept or _learn_anew(sweep, cost)
    resume.keep_prior(sweep.workspace, sweep.record, learnt)
    return learnt


def _learn_anew(sweep: Sweep, cost: StageCost) -> FleetPrior:
    settings = sweep.fleet.settings
    parts = run_all(
        partial(_steady_of_bucket, sweep.workspace, settings),
        sweep.tasks, stage="learn", pool=sweep.pool, progress=sweep.progress, cost=cost,
    )  # fmt: skip
    cost.item_count = len(parts)
    return learn_from(parts, settings.priors)


def _steady_of_bucket(
    workspace: Workspace, settings: FleetSettings, task: BucketTask
) -> dict[str, NDArray[np.floating[Any]]]:
    meters: tuple[Meter, ...] = settings.catalogue.meters
    found = blocks(workspace, [task], settings.thresholds)
    return steady_by_class(found, meters, settings.priors)


def _assess(sweep: Sweep, cost: StageCost) -> None:
    folder = resume.take_over(sweep.workspace, sweep.record, anew=sweep.order.full)
    with _far_blocks(sweep, folder) as far:
        to_do = [t for t in sweep.tasks if resume.bucket_done(folder, t.bucket) is None]
        if to_do:
            make_kernels()
        work = partial(
            _assess_bucket, sweep.workspace, sweep.fleet.settings, sweep.learnt, folder, far
        )
        done = run_all(
            work, to_do, stage="assess", pool=sweep.pool, progress=sweep.progress, cost=cost
        )
    cost.item_count = len(done)
    cost.row_count = sum(result.assessed + result.not_assessed for result in done)
    _write_list_findings(sweep)


@contextmanager
def _far_blocks(sweep: Sweep, folder: Path) -> Iterator[Path | None]:
    """Where workers without our disk leave blocks; at the end they are in `folder`."""
    if sweep.pool.sees_workspace:
        yield None
        return
    far = far_blocks.far_folder(sweep.workspace, sweep.record, anew=sweep.order.full)
    far_blocks.bring(sweep.workspace, far, folder)  # what a stopped sweep left
    yield far
    far_blocks.bring(sweep.workspace, far, folder)
    far_blocks.drop(sweep.workspace, far)


def _assess_bucket(
    workspace: Workspace,
    settings: FleetSettings,
    learnt: FleetPrior,
    folder: Path,
    far: Path | None,
    task: BucketTask,
) -> BucketResult:
    if far is None:
        return _assessed_into(folder, workspace, settings, learnt, task)
    with workspace.storage.making(far / f"bucket={task.bucket}") as own:
        return _assessed_into(own, workspace, settings, learnt, task)


def _assessed_into(
    folder: Path,
    workspace: Workspace,
    settings: FleetSettings,
    learnt: FleetPrior,
    task: BucketTask,
) -> BucketResult:
    result = assess_bucket(workspace, task, settings, learnt, folder)
    resume.mark_done(folder, result)
    return result


def _reconcile(sweep: Sweep, cost: StageCost) -> None:
    with _inputs_at_hand(sweep) as inputs:
        sweep.reconciliation = reconcile(sweep.workspace, sweep.record, inputs)
    cost.row_count = sweep.reconciliation.accounts


@contextmanager
def _inputs_at_hand(sweep: Sweep) -> Iterator[SweepInputs]:
    """The sweep's inputs with the profiles' balances on this machine."""
    balances = [f / "balance.parquet" for f in sweep.inputs.profile_folders]
    with sweep.workspace.storage.at_hand(balances) as here:
        yield replace(sweep.inputs, profile_folders=[here[b].parent for b in balances])


def _publish(sweep: Sweep, cost: StageCost) -> None:
    assert sweep.reconciliation is not None
    sweep.progress("publish", 0, 1)
    settings = sweep.loaded.settings
    retention = Retention(
        settings.keep_sweeps, settings.keep_months, settings.keep_detail_sweeps
    )
    with _inputs_at_hand(sweep) as inputs:
        sweep.published = publish(
            sweep.workspace, sweep.record, sweep.reconciliation, inputs,
            units=settings.units, retention=retention,
        )  # fmt: skip
    shutil.rmtree(sweep.workspace.assess / sweep.sweep_id, ignore_errors=True)
    cost.row_count = sum(sweep.published.rows.values())
    sweep.progress("publish", 1, 1)


def _pages(sweep: Sweep, cost: StageCost) -> None:
    sweep.progress("pages", 0, 1)
    newest = newest_sweep(sweep.workspace)
    assert newest is not None
    write_fleet_pages(
        sweep.workspace,
        newest,
        loaded=sweep.loaded,
        site_pages=sweep.loaded.settings.site_pages,
    )
    cost.item_count = sweep.loaded.settings.site_pages
    sweep.progress("pages", 1, 1)


def _copy(sweep: Sweep, cost: StageCost) -> None:
    url, newest = sweep.loaded.settings.copy_results_to, newest_sweep(sweep.workspace)
    assert url is not None
    assert newest is not None
    if is_copied(url, newest):
        return
    sweep.progress("copy", 0, 1)
    cost.item_count = copy_results(sweep.workspace, newest, url)
    sweep.progress("copy", 1, 1)


READING_STAGES: Final = (
    Stage("land", _land),
    Stage("validate", _validate),
    Stage("profile", profile_lake),
)
JUDGING_STAGES: Final = (
    Stage("learn", _learn),
    Stage("assess", _assess),
    Stage("reconcile", _reconcile),
    Stage("publish", _publish),
)
PAGES_STAGE: Final = Stage("pages", _pages)
COPY_STAGE: Final = Stage("copy", _copy)


def record_of(sweep: Sweep) -> SweepRecord:
    """Identity and inputs of the sweep, once its profiles are made."""
    return SweepRecord(
        sweep_id=sweep.sweep_id,
        utility=sweep.loaded.settings.utility,
        started_at=sweep.began_at,
        finished_at=sweep.began_at,
        config_hash=sweep.loaded.config_hash,
        catalogue_hash=sweep.fleet.catalogue_hash,
        meters_hash=sweep.fleet.meters_hash,
        lake_hash=sweep.profiled.fingerprint,
        code_version=code_version(),
        timezone=sweep.loaded.settings.timezone,
        buckets=_buckets(sweep.workspace),
        documents=sweep.fleet.documents,
    )


def bucket_tasks(
    profiled: ProfileSummary, service: pl.DataFrame, buckets: int
) -> list[BucketTask]:
    """The meters in service of each bucket, with the profiles of its months."""
    folders: dict[str, list[Path]] = {}
    for folder in profiled.folders:
        folders.setdefault(folder.parent.name.removeprefix("bucket="), []).append(folder)
    return [
        BucketTask(bucket, tuple(sorted(folders.get(bucket, []))), meters)
        for bucket, meters in by_bucket(service, buckets).items()
    ]


def last_day(profiled: ProfileSummary) -> dt.date:
    """The last day of the newest month that the lake holds."""
    months = [f.parent.parent.name.removeprefix("month=") for f in profiled.folders]
    if not months:
        raise ConfigError(
            "no read has landed: the exports are empty or every row was refused; "
            "see the messages above and the folder rejected/ of the workspace"
        )
    year, month = (int(part) for part in max(months).split("-"))
    return dt.date(year, month, calendar.monthrange(year, month)[1])


def _write_list_findings(sweep: Sweep) -> None:
    stats, stuck = (
        [folder / f"{table}.parquet" for folder in sweep.profiled.folders]
        for table in ("month_stat", "stuck_register")
    )
    with sweep.workspace.storage.at_hand([*stats, *stuck]) as here:
        found = _list_findings(sweep, local_paths(here, stats), local_paths(here, stuck))
    write_block(found, sweep.workspace.assess / sweep.sweep_id / "finding", "meter_list")


def _list_findings(sweep: Sweep, stats: list[str], stuck: list[str]) -> pl.DataFrame:
    """Findings on the meter list, and on meters that only the reads know."""
    listed = finding_frame(sweep.fleet.meters.findings)
    read = (
        pl.scan_parquet(stats)
        .group_by("meter_id")
        .agg(pl.col("registered_gal").sum(), pl.col("read_count").sum())
    )
    stray = read.join(sweep.fleet.meters.frame.lazy(), on="meter_id", how="anti")
    units = sweep.loaded.settings.units
    told = read_findings(
        sweep.workspace, stats, sweep.fleet.meters, stuck_files=stuck, units=units
    )
    return pl.concat(
        [
            listed,
            unknown_meter_findings(stray.sort("meter_id").collect(), units=units),
            finding_frame(told),
            slow_meter_findings(_monthly_flow(sweep, stats)),
        ]
    )


def _monthly_flow(sweep: Sweep, stats: list[str]) -> pl.DataFrame:
    """Mean registered flow of each meter in service by month well covered [gpm]."""
    month = pl.col("path").str.extract(r"month=(\d{4}-\d{2})").str.to_date("%Y-%m")
    days = pl.col("days_covered").sum()
    monthly = (
        pl.scan_parquet(stats, include_file_paths="path")
        .with_columns(month=month)
        .group_by("meter_id", "month")
        .agg(flow_gpm=pl.col("registered_gal").sum() / (days * 1440), days=days)
        .filter(pl.col("days") >= _FEWEST_DAYS_OF_A_MONTH)
    )
    service = sweep.inputs.service.lazy().select("account_id", "meter_id", "customer_class")
    return (
        service.join(monthly, on="meter_id")
        .select("account_id", "meter_id", "customer_class", "month", "flow_gpm")
        .sort("account_id", "meter_id", "month")
        .collect()
    )


_FEWEST_DAYS_OF_A_MONTH: Final = 20


def _stop_text(validated: ValidationSummary) -> str:
    lines = [outcome_text(o) for o in validated.failed]
    return "validation failed, nothing is published:\n" + "\n".join(lines)


def outcome_text(outcome: Outcome) -> str:
    """One expectation that was not met, in a line."""
    found = "not known" if outcome.observed is None else f"{outcome.observed:g}"
    return (
        f"{outcome.batch}: {outcome.metric.replace('_', ' ')} is {found}, "
        f"expected {outcome.expected} ({outcome.meaning})"
    )


def _buckets(workspace: Workspace) -> int:
    with work_database(workspace) as work:
        return ledger.bucket_count(work, None, 0)


def _landed_files(workspace: Workspace) -> pl.DataFrame:
    with work_database(workspace) as work:
        return work.sql(sql_text("60_reconcile/landed_ledger")).pl()
