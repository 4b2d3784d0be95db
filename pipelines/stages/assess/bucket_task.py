"""A bucket of meters as one piece of work, and its profiles as it needs them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipelines.stages.assess.gate import gated
from pipelines.stages.assess.leak_cut import LeakRule
from pipelines.stages.assess.profile_blocks import (
    BAND,
    DAY,
    STAT,
    BucketProfile,
    joined_stat,
    load_bucket,
    make_year,
    nights_in,
    without_reads,
)
from pipelines.store.storage import local_paths
from pipelines.store.warehouse import literals
from pipelines.store.workspace import Workspace
from pipelines.work.bucket_work import bucket_connection
from rightsize.settings import Thresholds
from rightsize.units import UnitSystem


@dataclass(frozen=True)
class BucketTask:
    """One bucket of meters: its profile folders and its rows of the meter list.

    Decisions rest on `decided_folders`, findings on reads on all `folders`.
    """

    bucket: str
    folders: tuple[Path, ...]
    decided_folders: tuple[Path, ...]
    service: pl.DataFrame

    @property
    def decides_on_all(self) -> bool:
        """Whether no month is left out of decisions."""
        return self.folders == self.decided_folders


def load_task(
    workspace: Workspace,
    task: BucketTask,
    thresholds: Thresholds,
    units: UnitSystem,
    *,
    leaks: LeakRule | None = None,
) -> BucketProfile:
    """The trailing year of a bucket, with the reason for each meter that cannot be assessed.

    Of the months that decisions rest on; days and leaks only where `leaks` says which flows are
    such.
    """
    profile = load_bucket(
        workspace,
        task.decided_folders,
        task.service,
        window_months=int(thresholds.window_months),
        stopped_after_days=int(thresholds.stopped_after_days),
        leaks_of=leaks.leaks_of if leaks else None,
        with_days=leaks is not None,
    )
    return gated(profile, thresholds, units)


def load_reads(
    workspace: Workspace, task: BucketTask, thresholds: Thresholds, leaks: LeakRule
) -> BucketProfile:
    """The trailing year of a bucket with every month of the lake, as findings on it need it.

    The year's sums, nights and leaks, without what decisions need beside: bands, days, which
    meters can be assessed, and months without a leak.
    """
    if not task.folders:
        return BucketProfile(stat=without_reads(task.service))
    with (
        workspace.storage.at_hand(
            f / n for f in task.folders for n in (STAT, BAND, DAY)
        ) as here,
        bucket_connection(workspace.scratch) as connection,
    ):
        stats, bands, days = (
            local_paths(here, [f / name for f in task.folders]) for name in (STAT, BAND, DAY)
        )
        make_year(
            connection,
            stats,
            task.service,
            window_months=int(thresholds.window_months),
            stopped_after_days=int(thresholds.stopped_after_days),
        )
        return BucketProfile(
            stat=joined_stat(task.service, connection.sql("from meter_stat").pl()),
            nights=nights_in(connection, literals(bands)),
            leaks=leaks.found_in(days, task.service),
        )
