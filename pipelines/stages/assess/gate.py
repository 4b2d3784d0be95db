"""The gate: which meters of a bucket are assessed, and what is said of the others."""

from __future__ import annotations

from dataclasses import replace

import polars as pl

from pipelines.stages.assess.leak_cut import without_leaks
from pipelines.stages.assess.profile_blocks import BucketProfile
from rightsize.demand.sufficiency import not_assessed_reason
from rightsize.settings import Thresholds
from rightsize.units import UnitSystem

_SAID = ("not_assessed_code", "not_assessed_message")


def gated(profile: BucketProfile, limits: Thresholds, units: UnitSystem) -> BucketProfile:
    """With code and message of each meter that is not assessed, null for the others."""
    stat = not_assessed_reason(
        profile.stat,
        min_days_covered=limits.min_days_covered,
        max_estimated_share=limits.max_estimated_share,
        max_zero_share=limits.max_zero_share,
        min_reads_per_step=limits.min_reads_per_step,
        units=units,
    )
    return replace(profile, stat=stat)


def gated_without_leaks(
    as_read: BucketProfile, limits: Thresholds, units: UnitSystem
) -> BucketProfile:
    """The year without its leaks; where too little is left of it, the gate says so.

    A meter that the gate refused as read keeps that reason.
    """
    left = gated(without_leaks(as_read), limits, units)
    before = as_read.stat.select("meter_id", *_SAID)
    both = left.stat.join(before, on="meter_id", how="left", suffix="_before")
    held = pl.col("not_assessed_code_before").is_not_null()
    kept = (pl.when(held).then(f"{name}_before").otherwise(name).alias(name) for name in _SAID)
    return replace(left, stat=both.with_columns(*kept).select(left.stat.columns))
