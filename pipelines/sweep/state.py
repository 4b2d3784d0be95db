"""A running sweep: its order, what its stages have produced, what is already published."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

import polars as pl

from pipelines.configuration.fleet import Fleet
from pipelines.configuration.load_settings import Loaded
from pipelines.pages.fleet_pages import VERSION_FILE, drawn_by
from pipelines.stages.assess.bucket_task import BucketTask
from pipelines.stages.land.land import LandSummary
from pipelines.stages.land.old_reads import DeletedReads
from pipelines.stages.profile.profile import ProfileSummary
from pipelines.stages.publish.history import open_held
from pipelines.stages.publish.publish import PublishSummary
from pipelines.stages.reconcile import SweepInputs
from pipelines.stages.validate.validate import ValidationSummary
from pipelines.stages.verify import Verified
from pipelines.store.workspace import Workspace
from pipelines.work.bucket_work import Pool, Progress
from pipelines.work.observe import StageCost
from rightsize.contracts.sweep_record import Reconciliation, SweepRecord
from rightsize.inference.meter.censoring import LearntPrior


@dataclass(frozen=True)
class SweepOrder:
    """Options of a sweep.

    `full` rebuilds all profiles and results from stored reads, `months` (as 2025-01) only the
    profiles of these months, `reassess` publishes even if no input has changed.
    """

    kind: str = "sweep"
    full: bool = False
    reassess: bool = False
    months: tuple[str, ...] = ()


@dataclass
class Sweep:
    """One running sweep: its options, and what its stages have produced so far.

    Fields after `costs` are set by the stages; a sweep that finds nothing new sets only the
    first three.
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
    learnt: LearntPrior = field(init=False)
    deleted: DeletedReads = field(default_factory=DeletedReads)
    verified: Verified = field(init=False)
    log_findings: pl.DataFrame | None = None
    reconciliation: Reconciliation | None = None
    published: PublishSummary | None = None
    copied_file_count: int = 0

    @property
    def sweep_id(self) -> str:
        """Sorts by time of start."""
        return self.began_at.strftime("%Y%m%dT%H%M%S.%fZ")


def has_news(sweep: Sweep) -> bool:
    """Whether new results would have other inputs than the published ones."""
    asked = sweep.order.full or sweep.order.reassess
    return asked or not is_published(sweep.workspace, sweep.record)


def is_published(workspace: Workspace, record: SweepRecord) -> bool:
    """Whether the published results have the same inputs as this sweep."""
    if not workspace.results.is_file():
        return False
    names = ("config_hash", "catalogue_hash", "meters_hash", "lake_hash", "code_version")
    with open_held(workspace.results) as connection:
        row = connection.execute(
            f"select {', '.join(names)} from results.sweep order by sweep_id desc limit 1"
        ).fetchone()
    return row == tuple(getattr(record, name) for name in names)


def pages_are_due(workspace: Workspace, *, has_names: bool = True) -> bool:
    """Whether the pages show another sweep than the results, or were drawn otherwise."""
    newest = newest_sweep(workspace)
    if newest is None:
        return False
    pages = (workspace.published / "pages").resolve()
    version = pages / VERSION_FILE
    is_current = version.is_file() and version.read_bytes() == drawn_by(has_names).encode()
    return newest not in pages.name or not is_current


def newest_sweep(workspace: Workspace) -> str | None:
    """The sweep whose results are published."""
    if not workspace.results.is_file():
        return None
    with open_held(workspace.results) as connection:
        row = connection.execute("select max(sweep_id) from results.sweep").fetchone()
    return None if row is None else row[0]
