"""The stages of a sweep, in order: one list for the plain command and for the Prefect flows.

A stage takes the sweep under way, does its work by the function of `pipelines.stages` that it
is named for, and leaves what it made on the sweep. A stage may be called again after a failure:
what it has done already is found done.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from pipelines.configuration.fleet import in_service
from pipelines.configuration.judged_by import JudgedBy
from pipelines.pages.fleet_pages import write_fleet_pages
from pipelines.sources.fetch import fetch_exports
from pipelines.stages.assess.assess import (
    BucketResult,
    assess_bucket,
    blocks,
)
from pipelines.stages.assess.bucket_task import BucketTask
from pipelines.stages.assess.list_findings import list_findings
from pipelines.stages.assess.log_effect import stray_logs
from pipelines.stages.assess.month_volume import month_volume
from pipelines.stages.assess.note_reads import note_reads
from pipelines.stages.assess.result_block import write_block
from pipelines.stages.land.land import land
from pipelines.stages.land.land_flow_logs import land_flow_logs, landed_logs
from pipelines.stages.land.old_reads import delete_old_reads
from pipelines.stages.logs.compare import compare_logs
from pipelines.stages.meter_tests.program import Listed
from pipelines.stages.meter_tests.published import published_program
from pipelines.stages.profile.profile import profile
from pipelines.stages.publish.copy_results import copy_results, is_copied
from pipelines.stages.publish.publish import publish
from pipelines.stages.publish.retention import Retention
from pipelines.stages.reconcile import SweepInputs, reconcile
from pipelines.stages.validate.checks import load_ahead
from pipelines.stages.validate.validate import ValidationSummary, outcome_text, validate
from pipelines.stages.verify import Verified, verify
from pipelines.store.lake_partition import bucket_folder
from pipelines.store.workspace import Workspace
from pipelines.sweep import far_blocks, resume
from pipelines.sweep.inputs import (
    bucket_count,
    bucket_tasks,
    landed_files,
    landed_partitions,
    last_day,
    record_of,
)
from pipelines.sweep.manifolds import manifold_rows
from pipelines.sweep.state import Sweep, has_news, newest_sweep, pages_are_due
from pipelines.work.bucket_work import local_pool, run_all
from pipelines.work.observe import StageCost, stage_cost
from pipelines.work.stop import signals_seen, statements_ended
from rightsize.errors import ValidationError
from rightsize.inference.meter.censoring import LearntPrior, learn_from, steady_by_class
from rightsize.inference.water_use.kernel_choice import make_kernels
from rightsize.meters.catalogue import Meter
from rightsize.verify.leaks.leak_repair import learned_leak_repair
from rightsize.verify.learned import learned_correction


@dataclass(frozen=True)
class Stage:
    """A stage's name and its work on a sweep."""

    name: str
    work: Callable[[Sweep, StageCost], None]

    def run(self, sweep: Sweep) -> None:
        """Run the stage and record its cost."""
        with stage_cost(self.name) as cost, signals_seen(), statements_ended():
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
    if pages_are_due(sweep.workspace, has_names=sweep.loaded.settings.names_on_pages):
        call(PAGES_STAGE, sweep)
    if sweep.loaded.settings.copy_results_to:
        call(COPY_STAGE, sweep)


def _land(sweep: Sweep, cost: StageCost) -> None:
    fetch_exports(sweep.loaded, sweep.workspace)
    sweep.landed = land(
        sweep.loaded, sweep.workspace, progress=sweep.progress, ahead=load_ahead
    )
    logs = land_flow_logs(sweep.loaded, sweep.workspace)
    sweep.landed = replace(sweep.landed, problems=(*sweep.landed.problems, *logs.problems))
    cost.item_count = len(sweep.landed.files) + logs.landed
    cost.row_count = sweep.landed.rows_landed + logs.rows
    sweep.deleted = delete_old_reads(sweep.workspace, sweep.loaded.settings.keep_reads_months)


def _validate(sweep: Sweep, cost: StageCost) -> None:
    sweep.validated = validate(sweep.loaded, sweep.workspace, sweep.landed)
    cost.item_count = len(sweep.validated.outcomes)
    if sweep.validated.must_stop:
        raise ValidationError(_stop_text(sweep.validated))


def profile_lake(sweep: Sweep, cost: StageCost) -> None:
    """Profiles of the current lake, and the bucket tasks and inputs that follow."""
    sweep.profiled = profile(
        sweep.workspace,
        timezone=sweep.loaded.settings.timezone,
        pool=sweep.pool,
        progress=sweep.progress,
        cost=cost,
        bucket_count=bucket_count(sweep.workspace),
    )
    cost.item_count = sweep.profiled.made
    sweep.record = record_of(sweep)
    service = in_service(sweep.fleet, as_of=last_day(sweep.profiled))
    sweep.tasks = bucket_tasks(
        sweep.profiled,
        service,
        sweep.record.buckets,
        decide_on=sweep.loaded.settings.decide_on,
    )
    sweep.inputs = SweepInputs(
        service=service,
        ledger=landed_files(sweep.workspace),
        partitions=landed_partitions(sweep.workspace),
        profile_folders=sweep.profiled.folders,
    )


def judge_logs(sweep: Sweep, cost: StageCost) -> None:
    """What flow loggers brought back, held against the register."""
    logs = landed_logs(sweep.workspace)
    if logs.is_empty():
        return
    found = compare_logs(
        sweep.workspace,
        logs,
        sweep.fleet,
        sweep.inputs.service,
        zone=sweep.loaded.settings.timezone,
    )
    sweep.log_findings = found.findings
    sweep.fleet = replace(sweep.fleet, settings=replace(sweep.fleet.settings, logs=found.used))
    cost.item_count, cost.row_count = logs.height, int(logs["rows_landed"].sum())
    told = found.rows.select("log_file", "meter_id", "is_used", "rule").to_dicts()
    _add_document(sweep, "flow_logs", {"logs": told})


def _learn(sweep: Sweep, cost: StageCost) -> None:
    sweep.learnt = learnt_prior(sweep, cost)
    cost.row_count = sum(sweep.learnt.accounts_seen.values())


def learnt_prior(sweep: Sweep, cost: StageCost) -> LearntPrior:
    """Priors learned from the fleet; reused from a sweep on the same inputs."""
    key = resume.prior_key(sweep.record, sweep.fleet.settings, sweep.tasks)
    kept = None if sweep.order.full else resume.kept_prior(sweep.workspace, key)
    learnt = kept or _learn_again(sweep, cost)
    resume.keep_prior(sweep.workspace, key, learnt)
    return learnt


def _learn_again(sweep: Sweep, cost: StageCost) -> LearntPrior:
    settings = sweep.fleet.settings
    parts = run_all(
        partial(_steady_of_bucket, sweep.workspace, settings),
        sweep.tasks,
        stage="learn",
        pool=sweep.pool,
        progress=sweep.progress,
        cost=cost,
    )
    cost.item_count = len(parts)
    return learn_from(parts, settings.priors)


def _steady_of_bucket(
    workspace: Workspace, settings: JudgedBy, task: BucketTask
) -> dict[str, NDArray[np.floating[Any]]]:
    meters: tuple[Meter, ...] = settings.catalogue.meters
    found = blocks(workspace, [task], settings.thresholds)
    return steady_by_class(found, meters, settings.priors, settings.logs.shown)


def _assess(sweep: Sweep, cost: StageCost) -> None:
    judged_by = sweep.fleet.settings
    keys = resume.bucket_keys(sweep.record, judged_by, sweep.learnt, sweep.tasks)
    folder = resume.take_over(sweep.workspace, sweep.record, keys, fresh=sweep.order.full)
    gathering = partial(
        far_blocks.gathering, sweep.workspace, sweep.record, folder, fresh=sweep.order.full
    )
    with nullcontext() if sweep.pool.sees_workspace else gathering() as far:
        done_before = {t.bucket: resume.bucket_done(folder, t.bucket) for t in sweep.tasks}
        held = {bucket: result for bucket, result in done_before.items() if result}
        to_do = [t for t in sweep.tasks if t.bucket not in held]
        if to_do:
            make_kernels()
        work = partial(
            _assess_bucket, sweep.workspace, judged_by, sweep.learnt, keys, folder, far
        )
        done = run_all(
            work, to_do, stage="assess", pool=sweep.pool, progress=sweep.progress, cost=cost
        )
    _note_held(sweep, held, folder)
    cost.item_count = len(done)
    cost.row_count = sum(result.assessed + result.not_assessed for result in done)
    found = list_findings(
        sweep.workspace,
        sweep.profiled.folders,
        sweep.fleet.meters,
        sweep.inputs.service,
        units=sweep.loaded.settings.units,
    )
    write_block(found, folder / "finding", "meter_list")
    write_block(manifold_rows(sweep), folder / "finding", "manifold")
    write_block(sweep.verified.findings, folder / "finding", "verify")
    if sweep.log_findings is not None:
        write_block(sweep.log_findings, folder / "finding", "flow_logs")
    strays = stray_logs(sweep.fleet.settings.logs, sweep.inputs.service)
    if strays is not None:
        write_block(strays, folder / "flow_log_result", "stray")
    months = month_volume(sweep.workspace, sweep.profiled.folders, sweep.fleet.meters.frame)
    write_block(months, folder / "month_volume", "fleet")
    listed = Listed(sweep.fleet.meters.frame, sweep.fleet.settings.catalogue)
    program = published_program(sweep.loaded, listed, folder)
    for name, rows in program.items():
        write_block(rows, folder / name, "fleet")


def _assess_bucket(
    workspace: Workspace,
    settings: JudgedBy,
    learnt: LearntPrior,
    keys: dict[str, str],
    folder: Path,
    far: Path | None,
    task: BucketTask,
) -> BucketResult:
    key = keys[task.bucket]
    if far is None:
        return _assessed_into(folder, workspace, settings, learnt, key, task)
    with workspace.storage.making(far / bucket_folder(task.bucket)) as own:
        return _assessed_into(own, workspace, settings, learnt, key, task)


def _assessed_into(
    folder: Path,
    workspace: Workspace,
    settings: JudgedBy,
    learnt: LearntPrior,
    key: str,
    task: BucketTask,
) -> BucketResult:
    result = assess_bucket(workspace, task, settings, learnt, folder)
    resume.mark_done(folder, result, key)
    return result


def _note_held(sweep: Sweep, held: dict[str, BucketResult], folder: Path) -> None:
    """Findings on the newest reads of buckets whose assessment is held, on this machine."""
    work = partial(_noted, sweep.workspace, sweep.fleet.settings, held, folder)
    tasks = [t for t in sweep.tasks if t.bucket in held]
    is_here = sweep.pool.sees_workspace and sweep.pool.most_tasks is None
    with nullcontext(sweep.pool) if is_here else local_pool() as pool:
        run_all(work, tasks, stage="note", pool=pool)


def _noted(
    workspace: Workspace,
    settings: JudgedBy,
    held: dict[str, BucketResult],
    folder: Path,
    task: BucketTask,
) -> None:
    cut = held[task.bucket].leaks_cut_gpm
    note_reads(workspace, task, settings, folder, leaks_cut_gpm=cut)


def verify_jobs(sweep: Sweep, cost: StageCost) -> None:
    """What came of past change-outs, and what it teaches if gains are to be corrected."""
    found = verify(sweep.workspace, sweep.profiled.folders, sweep.fleet)
    sweep.verified = found
    sweep.inputs = replace(
        sweep.inputs, realised_gain=found.gains, leak_persistence=found.persistence
    )
    cost.item_count = found.gains.height
    if found.log_document:
        _add_document(sweep, "change_out_log", found.log_document)
    if sweep.loaded.settings.correct_gains:
        learned = learned_correction(found.gains, sweep.fleet.meters.frame)
        _add_document(sweep, "gain_correction", learned.document)
        judged_by = replace(sweep.fleet.settings, correction=learned)
        sweep.fleet = replace(sweep.fleet, settings=judged_by)
    _learn_leak_repair(sweep, found)


def verify_teaches(sweep: Sweep) -> bool:
    """Whether what came of change-outs may move the results of this sweep."""
    limits = sweep.fleet.settings.thresholds
    learns = limits.count_leak_repair and limits.learn_leak_repair
    return sweep.loaded.settings.correct_gains or learns


def _learn_leak_repair(sweep: Sweep, found: Verified) -> None:
    """Let change-outs say how long steady flow goes on, where they can."""
    limits = sweep.fleet.settings.thresholds
    if not (limits.count_leak_repair and limits.learn_leak_repair):
        return
    learned = learned_leak_repair(found.gains, limits.model_dump())
    if learned.is_applied:
        _add_document(sweep, "leak_repair", learned.document)
        moved = limits.model_copy(update=learned.thresholds)
        judged_by = replace(sweep.fleet.settings, thresholds=moved)
        sweep.fleet = replace(sweep.fleet, settings=judged_by)


def _add_document(sweep: Sweep, name: str, content: dict[str, Any]) -> None:
    documents = {**sweep.record.documents, name: content}
    sweep.record = replace(sweep.record, documents=documents)


def _reconcile(sweep: Sweep, cost: StageCost) -> None:
    folder = sweep.workspace.assess / sweep.sweep_id
    resume.check_blocks(folder, [task.bucket for task in sweep.tasks])
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
    record = replace(sweep.record, finished_at=dt.datetime.now(dt.UTC))
    with _inputs_at_hand(sweep) as inputs:
        sweep.published = publish(
            sweep.workspace,
            record,
            sweep.reconciliation,
            inputs,
            units=settings.units,
            retention=retention,
        )
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
        meters=sweep.fleet.meters.frame,
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
    sweep.copied_file_count = copy_results(sweep.workspace, newest, url)
    cost.item_count = sweep.copied_file_count
    sweep.progress("copy", 1, 1)


READING_STAGES: Final = (
    Stage("land", _land),
    Stage("validate", _validate),
    Stage("profile", profile_lake),
)
JUDGING_STAGES: Final = (
    Stage("logs", judge_logs),
    Stage("learn", _learn),
    Stage("verify", verify_jobs),
    Stage("assess", _assess),
    Stage("reconcile", _reconcile),
    Stage("publish", _publish),
)
PAGES_STAGE: Final = Stage("pages", _pages)
COPY_STAGE: Final = Stage("copy", _copy)


def _stop_text(validated: ValidationSummary) -> str:
    lines = [outcome_text(o) for o in validated.failed]
    return "validation failed; nothing was published:\n" + "\n".join(lines)
