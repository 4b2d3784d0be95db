"""One sweep: the list of the stages, over the whole fleet or what changed of it."""

from __future__ import annotations

import calendar
import datetime as dt
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import duckdb
import polars as pl
from rich.console import Console

from pipelines import ledger
from pipelines.bucket_work import Progress, paths_of, run_all, worker_count
from pipelines.code_version import code_version
from pipelines.fleet import Fleet, by_bucket, in_service, load_fleet
from pipelines.load_settings import Loaded
from pipelines.resources import sql_text
from pipelines.stages.assess import (
    BucketResult,
    BucketTask,
    assess_bucket,
    blocks,
    write_block,
)
from pipelines.stages.land import LandSummary, land
from pipelines.stages.profile import ProfileSummary, profile
from pipelines.stages.publish import PublishSummary, publish
from pipelines.stages.reconcile import SweepInputs, reconcile
from pipelines.stages.validate import Outcome, ValidationSummary, validate
from pipelines.summary import show_summary
from pipelines.warehouse import work_database
from pipelines.workspace import Workspace
from rightsize.contracts.sweep_record import Reconciliation, SweepRecord
from rightsize.demand.reading_findings import finding_frame, unknown_meter_findings
from rightsize.errors import ConfigError, ValidationError
from rightsize.inference.censoring import FleetPrior, learn_fleet

_SHOWN = 10


@dataclass(frozen=True)
class SweepOutcome:
    """How a sweep ended, for its summary and its exit code."""

    loaded: Loaded
    workspace: Workspace
    landed: LandSummary
    validated: ValidationSummary
    profiled: ProfileSummary
    reconciliation: Reconciliation | None
    published: PublishSummary | None
    seconds: float
    is_partial: bool


def run_sweep(
    loaded: Loaded,
    *,
    full: bool = False,
    only: Sequence[str] = (),
    workers: int | None = None,
    progress: Progress | None = None,
) -> SweepOutcome:
    """Land, validate, profile, learn, assess, reconcile, publish.

    Where nothing that a result rests on has changed since the last publication, nothing is
    published and `published` is None. `full` makes profiles and results anew from the lake.

    Raises
    ------
    ConfigError
        If the configuration or one of its files cannot be used.
    WorkspaceBusyError
        If another sweep holds the workspace.
    BalanceError, ContractError
        If rows, accounts or a promise of a table do not hold; nothing is published then.
    """
    began_at = dt.datetime.now(dt.UTC)
    fleet = load_fleet(loaded)
    workspace = Workspace(loaded.workspace_root)
    count = worker_count(workers)
    with workspace.hold():
        workspace.create()
        if full:
            shutil.rmtree(workspace.profile)
        landed = land(loaded, workspace, progress=progress)
        validated = validate(loaded, workspace, landed)
        if validated.must_stop:
            raise ValidationError(_stop_text(validated))
        profiled = profile(
            workspace, timezone=loaded.settings.timezone, workers=count, progress=progress
        )
        record = _record(loaded, fleet, profiled, _buckets(workspace), began_at)
        reconciliation = published = None
        if full or not is_published(workspace, record):
            service = in_service(fleet, as_of=_last_day(profiled))
            tasks = _tasks(profiled, service, record.buckets)
            learnt = _learn(workspace, tasks, fleet, progress)
            _assess(workspace, tasks, fleet, learnt, record, count, progress)
            _write_list_findings(workspace, fleet, record, profiled)
            inputs = SweepInputs(
                service=service,
                ledger=_landed_files(workspace),
                profile_folders=profiled.folders,
            )
            reconciliation, published = _publish(loaded, workspace, record, inputs, progress)
    return SweepOutcome(
        loaded=loaded,
        workspace=workspace,
        landed=landed,
        validated=validated,
        profiled=profiled,
        reconciliation=reconciliation,
        published=published,
        seconds=(dt.datetime.now(dt.UTC) - began_at).total_seconds(),
        is_partial=_is_partial(loaded, landed, reconciliation),
    )


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


def _record(
    loaded: Loaded,
    fleet: Fleet,
    profiled: ProfileSummary,
    buckets: int,
    began_at: dt.datetime,
) -> SweepRecord:
    return SweepRecord(
        sweep_id=began_at.strftime("%Y%m%dT%H%M%S.%fZ"),
        utility=loaded.settings.utility,
        started_at=began_at,
        finished_at=began_at,
        config_hash=loaded.config_hash,
        catalogue_hash=fleet.catalogue_hash,
        meters_hash=fleet.meters_hash,
        lake_hash=profiled.fingerprint,
        code_version=code_version(),
        timezone=loaded.settings.timezone,
        buckets=buckets,
        documents=fleet.documents,
    )


def _tasks(profiled: ProfileSummary, service: pl.DataFrame, buckets: int) -> list[BucketTask]:
    folders: dict[str, list[Path]] = {}
    for folder in profiled.folders:
        folders.setdefault(folder.parent.name.removeprefix("bucket="), []).append(folder)
    return [
        BucketTask(bucket, tuple(sorted(folders.get(bucket, []))), meters)
        for bucket, meters in by_bucket(service, buckets).items()
    ]


def _learn(
    workspace: Workspace, tasks: list[BucketTask], fleet: Fleet, progress: Progress | None
) -> FleetPrior:
    if progress:
        progress("learn", 0, 1)
    learnt = learn_fleet(
        blocks(workspace, tasks, fleet.settings.thresholds),
        fleet.settings.catalogue.meters,
        fleet.settings.priors,
    )
    if progress:
        progress("learn", 1, 1)
    return learnt


def _assess(
    workspace: Workspace,
    tasks: list[BucketTask],
    fleet: Fleet,
    learnt: FleetPrior,
    record: SweepRecord,
    workers: int,
    progress: Progress | None,
) -> list[BucketResult]:
    for left_over in workspace.assess.iterdir():
        shutil.rmtree(left_over, ignore_errors=True)
    folder = workspace.assess / record.sweep_id
    return run_all(
        lambda task: assess_bucket(workspace, task, fleet.settings, learnt, folder),
        tasks,
        stage="assess",
        workers=workers,
        progress=progress,
    )


def _write_list_findings(
    workspace: Workspace, fleet: Fleet, record: SweepRecord, profiled: ProfileSummary
) -> None:
    """Findings on the meter list, and on meters that only the reads know."""
    listed = finding_frame(fleet.meters.findings)
    stats = paths_of(f / "month_stat.parquet" for f in profiled.folders)
    read = (
        pl.scan_parquet(stats)
        .group_by("meter_id")
        .agg(pl.col("registered_gal").sum(), pl.col("read_count").sum())
    )
    stray = read.join(fleet.meters.frame.lazy(), on="meter_id", how="anti").sort("meter_id")
    found = pl.concat([listed, unknown_meter_findings(stray.collect())])
    write_block(found, workspace.assess / record.sweep_id / "finding", "meter_list")


def _publish(
    loaded: Loaded,
    workspace: Workspace,
    record: SweepRecord,
    inputs: SweepInputs,
    progress: Progress | None,
) -> tuple[Reconciliation, PublishSummary]:
    if progress:
        progress("publish", 0, 1)
    reconciliation = reconcile(workspace, record, inputs)
    summary = publish(
        workspace,
        record,
        reconciliation,
        inputs,
        units=loaded.settings.units,
        keep_sweeps=loaded.settings.keep_sweeps,
    )
    shutil.rmtree(workspace.assess / record.sweep_id, ignore_errors=True)
    if progress:
        progress("publish", 1, 1)
    return reconciliation, summary


def _stop_text(validated: ValidationSummary) -> str:
    lines = [_outcome_text(o) for o in validated.failed]
    return "validation failed, nothing is published:\n" + "\n".join(lines)


def _buckets(workspace: Workspace) -> int:
    with work_database(workspace) as work:
        return ledger.bucket_count(work, None, 0)


def _landed_files(workspace: Workspace) -> pl.DataFrame:
    with work_database(workspace) as work:
        return work.sql(sql_text("60_reconcile/landed_ledger")).pl()


def _outcome_text(outcome: Outcome) -> str:
    found = "not known" if outcome.observed is None else f"{outcome.observed:g}"
    return (
        f"{outcome.batch}: {outcome.metric.replace('_', ' ')} is {found}, "
        f"expected {outcome.expected} ({outcome.meaning})"
    )


def _last_day(profiled: ProfileSummary) -> dt.date:
    """The last day of the newest month that the lake holds."""
    months = [f.parent.parent.name.removeprefix("month=") for f in profiled.folders]
    if not months:
        raise ConfigError(
            "no read has landed: the exports are empty or every row was refused; "
            "see the messages above and the folder rejected/ of the workspace"
        )
    year, month = (int(part) for part in max(months).split("-"))
    return dt.date(year, month, calendar.monthrange(year, month)[1])


def _is_partial(
    loaded: Loaded, landed: LandSummary, reconciliation: Reconciliation | None
) -> bool:
    limits = loaded.thresholds
    rejected = landed.rows_rejected / max(landed.rows_landed, 1)
    if landed.problems or rejected > limits.tolerated_rejected_share:
        return True
    if reconciliation is None or not reconciliation.accounts:
        return False
    share = reconciliation.not_assessed / reconciliation.accounts
    return share > limits.tolerated_not_assessed_share


def show_outcome(outcome: SweepOutcome, console: Console) -> None:
    """The closing summary, with what could not be read or looks wrong first."""
    for problem in outcome.landed.problems[:_SHOWN]:
        console.print(f"not landed: {problem.message}", soft_wrap=True)
    if len(outcome.landed.problems) > _SHOWN:
        console.print(f"and {len(outcome.landed.problems) - _SHOWN} more files not landed")
    unmet = (*outcome.validated.failed, *outcome.validated.warned)
    for warning in unmet[:_SHOWN]:
        console.print(f"validation: {_outcome_text(warning)}", soft_wrap=True)
    if len(unmet) > _SHOWN:
        console.print(
            f"and {len(unmet) - _SHOWN} more; all are in the ledger's validation_result"
        )
    if outcome.published is None:
        console.print("Nothing new: the published results already rest on just this input.")
    else:
        show_summary(outcome.workspace.results, console)
    console.print(f"results: {outcome.workspace.results}", soft_wrap=True)
    console.print(
        f'next: rightsize query {outcome.loaded.path} "select * from flagged_account limit 20"',
        soft_wrap=True,
    )
    console.print(f"took {outcome.seconds:.1f} s")
