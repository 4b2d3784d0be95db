"""The vectorised decision against plain loops over accounts, meters and draws (ANALYTIC)."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from rightsize.recommend.choose import decide
from rightsize.settings import Thresholds
from tests.unit.recommend.one_account import NO_SITE_COSTS
from tests.unit.recommend.plain import monthly_bill_usd, plain_account
from tests.unit.recommend.synthetic import fleet, tariff

# Draws are single precision: 24 bits of mantissa, a few roundings of the bill in a difference.
MONEY_SHARE = 5e-7
ODDS = 1e-4
ACCOUNTS = 50


@pytest.mark.parametrize("seed", [1, 2])
def test_money_odds_and_choice_agree_with_plain_loops(seed: int) -> None:
    block, posterior, sites, meters = fleet(ACCOUNTS, seed=seed, draws=20)
    limits, rates = Thresholds.model_validate(NO_SITE_COSTS), tariff()
    result = decide(block, posterior, sites, meters, rates, limits, units="us")
    names = [(m.meter_type, m.size_in) for m in meters.meters]
    assessed = set(
        result.recommendation.filter(pl.col("verdict") != "not_assessed")["account_id"]
    )
    compared = 0
    for a, row in enumerate(result.recommendation.iter_rows(named=True)):
        if row["account_id"] not in assessed:
            continue
        plain = plain_account(a, block, posterior, sites, meters, rates, limits)
        year_gal = float(posterior.installed_gal_per_year[:, a].max())
        near_usd = 0.01 + MONEY_SHARE * 12 * monthly_bill_usd(year_gal / 12, rates, "office")
        mine = result.candidate.filter(pl.col("account_id") == row["account_id"])
        for column, field in (
            ("net_benefit_usd_per_year", "net_benefit_usd"),
            ("net_benefit_low_usd_per_year", "low_usd"),
            ("net_benefit_high_usd_per_year", "high_usd"),
        ):
            expected = [getattr(m, field) for m in plain.meters]
            np.testing.assert_allclose(mine[column], expected, atol=near_usd, rtol=2e-6)
        np.testing.assert_allclose(
            mine["odds_of_benefit"], [m.odds_of_benefit for m in plain.meters], atol=ODDS
        )
        np.testing.assert_allclose(
            mine["odds_of_fit"], [m.odds_of_fit for m in plain.meters], atol=ODDS
        )
        assert row["verdict"] == plain.verdict
        if row["action"] in ("change", "keep"):
            chosen = (row["recommended_type"], row["recommended_size_in"])
            assert chosen == names[plain.chosen]
        compared += 1
    assert compared > 40
