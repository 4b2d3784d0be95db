"""Base charge policy, and what a change does to a customer's bill."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy_financial as npf
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rightsize.contracts.frames import as_block, violations
from rightsize.contracts.money import BILL_IMPACT
from rightsize.recommend.bill_impact import month_bill_usd, season_bills
from rightsize.recommend.choose import Decision, decide
from rightsize.settings import Tariff, Thresholds
from tests.unit.recommend.plain import monthly_bill_usd
from tests.unit.recommend.synthetic import fleet, tariff

EVEN = np.full((1, 12), 1 / 12)


def decided(rates: Tariff, share: np.ndarray | None = None) -> Decision:
    block, posterior, sites, meters = fleet(300)
    sites = replace(sites, month_volume_share=share)
    return decide(block, posterior, sites, meters, rates, Thresholds(), units="us")


def test_a_loss_counts_in_full_until_the_rate_case_or_not_at_all():
    """ANALYTIC: numpy-financial: three years of a loss, level over fifteen."""
    full, until, none = (
        decided(tariff(count_base_charge_loss=name, years_to_rate_case=3)).candidate
        for name in ("full", "until_rate_case", "none")
    )
    lost = np.minimum(full["fixed_charge_change_usd_per_year"].to_numpy(), 0)
    assert lost.min() < -100
    net = {
        name: frame["net_benefit_usd_per_year"].to_numpy()
        for name, frame in (("full", full), ("until", until), ("none", none))
    }
    part = npf.pv(0.04, 3, -1) / npf.pv(0.04, 15, -1)
    np.testing.assert_allclose(net["none"] - net["full"], -lost, atol=0.05)
    np.testing.assert_allclose(net["until"] - net["full"], -lost * (1 - part), atol=0.05)


@pytest.mark.parametrize("policy", ["full", "until_rate_case", "none"])
def test_the_years_hold_the_loss_as_far_as_it_counts(policy):
    decision = decided(tariff(count_base_charge_loss=policy, years_to_rate_case=2.5))
    changes = decision.recommendation.filter(pl.col("action") == "change")
    assert changes["base_charge_loss_usd_per_year"].max() <= 0
    for row in changes.iter_rows(named=True):
        years = decision.year_money.filter(account_id=row["account_id"]).sort("year")
        worth = years["present_value_usd"][-1]
        assert worth == pytest.approx(row["net_present_value_usd"], rel=1e-4, abs=0.5)
        late = years.filter(pl.col("year") > 3)["base_charge_usd"]
        assert (late == 0).all() or policy == "full"


@given(st.lists(st.floats(0, 3e5), min_size=12, max_size=12))
def test_a_months_bill_is_that_of_plain_tiers(gal):
    rates = tariff()
    mine = month_bill_usd(rates, ("office",), np.array([gal]))[0]
    assert mine == pytest.approx([monthly_bill_usd(g, rates, "office") for g in gal], abs=1e-6)


def test_summer_and_winter_are_the_tariffs_months():
    # HAND: all of 120,000 gal in June and July, 60,000 each, at 1 USD a kgal and 12 USD a year.
    rates = Tariff.model_validate(
        {"classes": {"default": {"tiers": [{"usd_per_kgal": 1}]}}, "summer_months": [6, 7]}
    )
    share = np.zeros((1, 12))
    share[0, 5:7] = 0.5
    charge = np.array([12.0])
    bills = season_bills(rates, ("office",), np.array([120_000.0]), share, charge)
    assert (bills.summer_usd[0], bills.winter_usd[0]) == pytest.approx((61, 1))
    even = season_bills(rates, ("office",), np.array([120_000.0]), None, charge)
    assert even.summer_usd[0] == pytest.approx(even.winter_usd[0]) == pytest.approx(11)


def test_every_change_has_a_row_with_a_notice_and_no_names():
    decision = decided(tariff(leak_adjustment_share=0.5, leak_adjustment_months=2))
    rows = decision.bill_impact
    assert violations(as_block(rows, BILL_IMPACT), BILL_IMPACT) == []
    changes = decision.recommendation.filter(pl.col("action") == "change")
    assert rows["account_id"].to_list() == changes["account_id"].to_list()
    year = rows["year_bill_before_usd"] * 12
    # a bill of the mean volume; the mean of the samples' bills passes tiers otherwise
    assert (year / changes["bill_usd_per_year"] - 1).abs().max() < 0.01
    notice = rows["notice"]
    assert notice.str.contains("would go from [$]").all()
    assert notice.str.contains("leak adjustment").all()
    assert not notice.str.contains("A-0|M-0|null").any()


def test_without_a_charge_for_a_size_the_notice_leaves_bills_out():
    charges = {2: 74, 0.625: 14, 0.75: 18, 1: 26}
    rows = decided(tariff(fixed_charge_usd_per_month=charges)).bill_impact
    absent = pl.col("year_bill_before_usd").is_null() | pl.col("year_bill_after_usd").is_null()
    assert not rows.filter(absent)["notice"].str.contains("bill, base").any()
    assert decided(tariff()).bill_impact.filter(absent).height == 0
