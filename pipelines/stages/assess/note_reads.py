"""Findings on the reads of a bucket: on all of them each night, whatever decisions rest on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Final

import polars as pl

from pipelines.configuration.judged_by import JudgedBy
from pipelines.stages.assess.bucket_task import BucketTask, load_reads
from pipelines.stages.assess.leak_cost import with_leaks
from pipelines.stages.assess.leak_cut import LeakRule
from pipelines.stages.assess.night_flow import with_night_flow
from pipelines.stages.assess.profile_blocks import BucketProfile
from pipelines.stages.assess.result_block import write_rows
from pipelines.store.workspace import Workspace
from rightsize.demand.reading_findings import reading_findings

ON_READS: Final = "-reads"
"""Ends the name of a bucket's block of findings on reads."""


def note_reads(
    workspace: Workspace,
    task: BucketTask,
    fleet: JudgedBy,
    folder: Path,
    *,
    leaks_cut_gpm: Mapping[str, float],
    profile: BucketProfile | None = None,
) -> None:
    """Write the findings on a bucket's reads below `folder`.

    Parameters
    ----------
    leaks_cut_gpm
        Meters whose size was decided without a leak, and that flow [gpm].
    profile
        All reads of the bucket with their leaks and night flow, where they are loaded already.
    """
    limits = fleet.thresholds
    rule = LeakRule.of(limits)
    found = profile
    if found is None:
        loaded = load_reads(workspace, task, limits, rule)
        found = replace(loaded, stat=with_night_flow(loaded))
    rows = reading_findings(
        with_leaks(_as_decided(found.stat, leaks_cut_gpm), found.leaks, fleet.tariff),
        full_year_days=limits.full_year_days,
        low_coverage_share=limits.low_coverage_share,
        many_estimates_share=limits.many_estimates_share,
        leak_night_share=limits.leak_night_share,
        leak_night_share_round_the_clock=limits.leak_night_share_round_the_clock,
        round_the_clock_classes=limits.round_the_clock_classes,
        units=fleet.units,
    )
    write_rows(rows, folder, "finding", f"{task.bucket}{ON_READS}")


def _as_decided(stat: pl.DataFrame, leaks_cut_gpm: Mapping[str, float]) -> pl.DataFrame:
    """The year as it was read, with what of it is left out of the flows that size a meter."""
    cut = pl.DataFrame(
        {"meter_id": list(leaks_cut_gpm), "leak_cut_gpm": list(leaks_cut_gpm.values())},
        schema={"meter_id": pl.String, "leak_cut_gpm": pl.Float64},
    )
    return stat.join(cut, on="meter_id", how="left", maintain_order="left")
