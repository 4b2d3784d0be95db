"""The profile and the recommendation publish the same bounds of one peak."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl
import pytest

from rightsize.recommend.choose import decide
from rightsize.recommend.rows.flow_distribution import profile_frame
from rightsize.settings import Thresholds
from tests.unit.recommend.synthetic import fleet, tariff


@pytest.mark.parametrize("draws", [20, 40, 60])
def test_both_tables_leave_out_as_many_samples(draws: int) -> None:
    """Sums of 1/40 may fall a hair short of 1/20: counts of samples do not."""
    block, posterior, sites, meters = fleet(30, draws=draws)
    stat = pl.DataFrame(
        {
            "first_on": [date(2025, 1, 1)] * block.size,
            "last_on": [date(2025, 12, 31)] * block.size,
            "read_count": [8760] * block.size,
            "estimated_count": [0] * block.size,
            "night_low_gpm": [0.0] * block.size,
            "leak_cut_gal": [0.0] * block.size,
        }
    )
    profile = profile_frame(block, posterior, stat, meters.meters)
    limits = Thresholds.model_validate({})
    chosen = decide(
        block, posterior, sites, meters, tariff(), limits, units="us"
    ).recommendation
    both = profile.join(chosen, on="meter_id", suffix="_chosen")
    both = both.filter(pl.col("peak_10s_low_gpm_chosen").is_not_null())  # assessed
    assert both.height > 20
    for name in ("peak_10s_low_gpm", "peak_10s_high_gpm", "peak_1min_high_gpm"):
        np.testing.assert_array_equal(both[name], both[f"{name}_chosen"], err_msg=name)
