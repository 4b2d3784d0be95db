"""Night flow of each meter, for the findings on its reads."""

from __future__ import annotations

from typing import Final

import polars as pl

from pipelines.stages.assess.profile_blocks import BucketProfile, nights_of
from rightsize.inference.reads.nights import quantile_of_nights

_LOW_NIGHTS: Final = 0.1  # [1] nights below it: convention


def with_night_flow(profile: BucketProfile) -> pl.DataFrame:
    """`profile.stat` with the low percentile of the nights' least hour [gpm]."""
    read = profile.stat.filter(pl.col("read_count") > 0, pl.col("meter_index").is_not_null())
    low = quantile_of_nights(*nights_of(profile, read), _LOW_NIGHTS)
    night = read.select("meter_id", night_low_gpm=pl.Series(low, dtype=pl.Float64))
    return profile.stat.join(night, on="meter_id", how="left")
