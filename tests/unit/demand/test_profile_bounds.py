"""The profile and the recommendation publish the same bounds of one peak."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import polars as pl
import pytest

from rightsize.recommend.choose import decide
from rightsize.recommend.rows.flow_distribution import profile_frame
from rightsize.settings import Thresholds
from tests.unit.recommend.synthetic import fleet, tariff

ABOVE_ALL = 1 + 2.0**-23
"""So may a sum of shares of single precision come out: seen where every flow was low."""


def stat_of(size: int) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "first_on": [date(2025, 1, 1)] * size,
            "last_on": [date(2025, 12, 31)] * size,
            "read_count": [8760] * size,
            "estimated_count": [0] * size,
            "night_low_gpm": [0.0] * size,
            "leak_cut_gal": [0.0] * size,
        }
    )


def test_a_share_that_rounding_took_above_all_is_all() -> None:
    """One such account had the contract refuse the whole fleet."""
    block, posterior, _, meters = fleet(5, draws=20)
    whole = replace(
        posterior,
        low_flow_share=np.full_like(posterior.low_flow_share, ABOVE_ALL),
        unseen_gal_per_year=posterior.actual_gal_per_year * ABOVE_ALL,
    )
    profile = profile_frame(block, whole, stat_of(block.size), meters.meters)
    assert profile["low_flow_share"].to_list() == [1.0] * block.size
    assert profile["below_start_share"].to_list() == [1.0] * block.size


@pytest.mark.parametrize("draws", [20, 40, 60])
def test_both_tables_leave_out_as_many_samples(draws: int) -> None:
    """Sums of 1/40 may fall a hair short of 1/20: counts of samples do not."""
    block, posterior, sites, meters = fleet(30, draws=draws)
    profile = profile_frame(block, posterior, stat_of(block.size), meters.meters)
    limits = Thresholds.model_validate({})
    chosen = decide(
        block, posterior, sites, meters, tariff(), limits, units="us"
    ).recommendation
    both = profile.join(chosen, on="meter_id", suffix="_chosen")
    both = both.filter(pl.col("peak_10s_low_gpm_chosen").is_not_null())  # assessed
    assert both.height > 20
    for name in ("peak_10s_low_gpm", "peak_10s_high_gpm", "peak_1min_high_gpm"):
        np.testing.assert_array_equal(both[name], both[f"{name}_chosen"], err_msg=name)
