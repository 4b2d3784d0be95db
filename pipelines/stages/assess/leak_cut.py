"""Possible leaks that began in the year, and the year of each meter without them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import polars as pl

from pipelines.stages.assess.day_flows import days_of_runners
from pipelines.stages.assess.profile_blocks import BucketProfile
from rightsize.demand.continuous_flow import continuous_flow
from rightsize.demand.without_leak import bands_without_leak, leak_share, stat_without_leak
from rightsize.settings import Thresholds

SMALL_GPM: Final = 10.0
"""[gpm] continuous rating of the smallest meter (5/8 in displacement, AWWA C700): should such a
flow prove to be use after all, every meter carries it."""

_KEY: Final = "meter_id"


@dataclass(frozen=True)
class LeakRule:
    """Which flows that began are leaks to leave out."""

    window_days: int
    least_gpm: float
    least_share: float
    is_cut: bool
    round_the_clock_classes: Sequence[str]

    @classmethod
    def of(cls, limits: Thresholds) -> LeakRule:
        """As the thresholds say."""
        return cls(
            window_days=int(limits.leak_window_days),
            least_gpm=limits.leak_min_gpm,
            least_share=limits.leak_min_share,
            is_cut=limits.size_without_leak,
            round_the_clock_classes=limits.round_the_clock_classes,
        )

    def found(self, days: pl.DataFrame) -> pl.DataFrame:
        """Flows that began and do not stop, one row a meter."""
        return continuous_flow(
            days,
            window_days=self.window_days,
            least_gpm=self.least_gpm,
            least_share=self.least_share,
        )

    def leaks_of(
        self, days: pl.DataFrame, service: pl.DataFrame
    ) -> tuple[pl.DataFrame, pl.DataFrame]:
        """Flows that began, and those of them to leave out."""
        found = self.found(days)
        return found, self.to_cut(found, service)

    def found_in(self, day_files: Sequence[str], service: pl.DataFrame) -> pl.DataFrame:
        """Flows that began, from the day files of a bucket, the newest month last."""
        return self.found(days_of_runners(day_files, service, window_days=self.window_days))

    def to_cut(self, found: pl.DataFrame, service: pl.DataFrame) -> pl.DataFrame:
        """Those to leave out of the flows that size a meter: meter_id, leak_gpm, leak_from_on.

        Where water is used day and night a flow that began may be a new process: it is judged
        as it runs.
        """
        runs = pl.col("customer_class").is_in(list(self.round_the_clock_classes))
        rests = service.filter(~runs.fill_null(False), pl.lit(self.is_cut))
        return found.join(rests.select(_KEY).unique(), on=_KEY, how="semi").select(
            _KEY, "leak_gpm", "leak_from_on"
        )


def without_leaks(profile: BucketProfile) -> BucketProfile:
    """The trailing year as it would have been without the leaks.

    `stat` has two more columns: `leak_cut_gpm`, null where none is left out, and
    `leak_cut_gal` of the year, 0 there. A flow larger than `SMALL_GPM` and than the largest use
    beside it, or smaller than a step of the register in one read, is left as it is.
    """
    none = {"leak_cut_gpm": pl.lit(None, dtype=pl.Float64), "leak_cut_gal": pl.lit(0.0)}
    if profile.leak_months.is_empty():
        return replace(profile, stat=profile.stat.with_columns(**none))
    share = leak_share(pl.col("month"), pl.col("leak_from_on"))
    bands = profile.leak_bands.with_columns(leak_share=share)
    shape_gal = (
        bands.filter(pl.col("kind") == "interval")
        .group_by(_KEY, "month")
        .agg(shape_gal=pl.col("volume_gal").sum())
    )
    months = (
        profile.leak_months.with_columns(leak_share=share)
        .join(shape_gal, on=[_KEY, "month"], how="left")
        .with_columns(shape_gal=pl.col("shape_gal").fill_null(0.0) / pl.col("weight"))
    )
    gpm = profile.leak_months.group_by(_KEY).agg(leak_cut_gpm=pl.col("leak_gpm").first())
    less = stat_without_leak(months).join(gpm, on=_KEY).rename({"leak_gal": "leak_cut_gal"})
    step = profile.stat.select(_KEY, step_gpm=pl.col("resolution_gal") / pl.col("interval_min"))
    less = less.join(step, on=_KEY).filter(
        pl.col("leak_cut_gpm") <= pl.max_horizontal(pl.col("max_interval_gpm"), SMALL_GPM),
        pl.col("leak_cut_gpm") >= pl.col("step_gpm"),
    )
    shapes = bands_without_leak(bands.join(less, on=_KEY, how="semi"))
    less = less.drop("step_gpm").join(_at_rest(shapes), on=_KEY, how="left")
    kept = profile.bands.join(less, on=_KEY, how="anti")
    return replace(
        profile,
        stat=profile.stat.with_columns(**none).update(less, on=_KEY, how="left"),
        bands=pl.concat([kept, shapes.select(kept.columns)], how="vertical_relaxed"),
    )


def _at_rest(shapes: pl.DataFrame) -> pl.DataFrame:
    """Reads and nights without registration of each meter."""

    def count(kind: str) -> pl.Expr:
        here = (pl.col("kind") == kind) & (pl.col("band") < 0)
        return pl.col("window_count").filter(here).sum()

    return shapes.group_by(_KEY).agg(
        zero_count=count("interval"), night_zero_count=count("night")
    )
