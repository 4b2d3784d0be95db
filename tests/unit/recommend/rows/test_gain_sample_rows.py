"""What samples of accounts share, so that sums over them keep what is common."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from rightsize.recommend.choose import decide
from rightsize.recommend.rows.gain_sample_rows import CLASS_LOG_SD, METHOD_LOG_SD, common_factor
from rightsize.settings import Thresholds
from tests.unit.recommend.synthetic import fleet, tariff


def test_accounts_of_a_class_share_their_factor_and_all_share_the_method_s():
    factor = common_factor(["office", "school", "office"], 400)
    assert np.array_equal(factor[:, 0], factor[:, 2])
    together = np.corrcoef(np.log(factor[:, :2]).T)[0, 1]
    expected = METHOD_LOG_SD**2 / (METHOD_LOG_SD**2 + CLASS_LOG_SD**2)
    assert together == pytest.approx(expected, abs=0.12)


def test_on_average_nothing_is_promised_more_or_less():
    factor = common_factor(["office", "hotel", "school"], 40)
    assert factor.mean(axis=0) == pytest.approx(1.0, abs=0.03)


def test_another_block_of_the_fleet_has_the_same_factors():
    assert np.array_equal(
        common_factor(["hotel", "office"], 40)[:, 1], common_factor(["office"], 40)[:, 0]
    )


def test_the_range_of_a_class_s_total_does_not_shrink_with_the_number_of_its_accounts():
    few, many = (common_factor(["office"] * n, 400).sum(axis=1) / n for n in (2, 200))
    assert np.ptp(many) == pytest.approx(np.ptp(few))


@pytest.mark.parametrize("figure", ["volume_gain_gal", "revenue_gain_usd", "net_benefit_usd"])
def test_an_account_s_samples_have_its_best_estimate_as_their_mean(figure):
    """So the total's best estimate is the sum of the accounts' (a page may show either)."""
    block, posterior, sites, meters = fleet(300, draws=40)
    found = decide(block, posterior, sites, meters, tariff(), Thresholds(), units="us")
    name = f"{figure}_per_year"
    means = found.gain_sample.group_by("meter_id").agg(pl.col(name).mean().alias("mean"))
    both = found.recommendation.join(means, on="meter_id")
    assert both.height > 10
    assert both["mean"].to_numpy() == pytest.approx(both[name].to_numpy(), rel=2e-3, abs=0.5)
