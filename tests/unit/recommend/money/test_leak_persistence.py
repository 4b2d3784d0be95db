"""Leaks that a new meter shows do not run for ever: repair, its money, and the switch."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy_financial as npf
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from rightsize.contracts.frames import as_block, violations
from rightsize.contracts.money import YEAR_MONEY
from rightsize.recommend.choose import Decision, decide
from rightsize.recommend.horizon import annuity_factor, horizon_of
from rightsize.recommend.leak_persistence import (
    LeakSettings,
    leak_course,
    running_share,
)
from rightsize.settings import Tariff, Thresholds
from tests.unit.recommend.synthetic import fleet, tariff

ON = LeakSettings(True, (0.8, 0.55, 0.35), 0.25, 0.0, 0.0, 0.0)
FOREVER = Thresholds(count_leak_repair=False)
ALL_RUN = {f"leak_runs_after_{n}_months_share": 1 for n in (3, 12, 36)}
NONE_RUNS = {f"leak_runs_after_{n}_months_share": 0 for n in (3, 12, 36)}


def decided(limits: Thresholds, rates: Tariff | None = None, **parts: object) -> Decision:
    block, posterior, sites, meters = fleet(400, draws=40)
    sites = replace(sites, **parts)
    return decide(block, posterior, sites, meters, rates or tariff(), limits, units="us")


def test_shares_that_run_are_the_ones_set():
    """Their mean over the samples, and nine in ten of them within the range (settings)."""
    share = running_share(ON, 200)
    for after, expected in ((0, 1.0), (3, 0.8), (12, 0.55), (24, 0.45), (36, 0.35)):
        assert share[:, after].mean() == pytest.approx(expected, abs=0.01)
    assert np.all(np.diff(share, axis=1) <= 0)
    ends = np.quantile(share[:, -1], [0.05, 0.95])
    assert ends == pytest.approx([0.35 - 0.9 * 0.25, 0.35 + 0.9 * 0.25], abs=0.01)


@given(
    life=st.floats(1, 30),
    rate=st.floats(0, 12),
    running=st.lists(st.floats(0, 1), min_size=3, max_size=3),
)
def test_money_of_a_leak_against_a_loop_over_months(life, rate, running):
    """ANALYTIC: money of each year at its end, repair in the middle of a month."""
    told = tuple(sorted(running, reverse=True))
    settings = LeakSettings(True, told, 0.0, 0.5, 2.0, 0.0)
    course = leak_course(settings, 20, horizon_of(np.array([life]), rate))
    value = 0.0
    for year in range(int(np.ceil(life))):
        whole = annuity_factor(min(year + 1, life), rate) - annuity_factor(year, rate)
        for month in range(12 * year, 12 * year + 12):
            now, then = np.interp([month, month + 1], (0, 3, 12, 36), (1, *told))
            value += float(whole) * (now + then) / 24
            credit = 0.5 * min((month + 0.5) / 12, 2 / 12) * (now - then)
            value -= credit * (1 + rate / 100) ** -(year + 1)
    kept = value / float(annuity_factor(life, rate))
    np.testing.assert_allclose(1 - course.unpaid_share[:, 0], kept, atol=1e-9)


def test_the_switch_is_the_same_as_leaks_that_run_for_ever():
    off = decided(FOREVER)
    on = decided(Thresholds(**ALL_RUN, leak_runs_spread_share=0))
    assert off.candidate.equals(on.candidate)
    assert off.recommendation.equals(on.recommendation)


def test_repair_takes_benefit_and_no_more_than_the_steady_gain():
    on, off = decided(Thresholds()).candidate, decided(FOREVER).candidate
    less = (off["net_benefit_usd_per_year"] - on["net_benefit_usd_per_year"]).to_numpy()
    assert less.min() > -0.01
    assert less.max() > 1
    none = decided(Thresholds(**NONE_RUNS, leak_runs_spread_share=0)).candidate
    least = (on["net_benefit_usd_per_year"] - none["net_benefit_usd_per_year"]).to_numpy()
    assert least.min() > -0.01


def test_water_that_no_longer_runs_is_worth_what_it_costs():
    dear = tariff(avoided_water_usd_per_kgal=2.0)
    saved = decided(Thresholds(), dear).candidate["net_benefit_usd_per_year"]
    plain = decided(Thresholds()).candidate["net_benefit_usd_per_year"]
    assert (saved - plain).min() > -0.01
    assert (saved - plain).max() > 1
    kept = decided(FOREVER, dear).candidate["net_benefit_usd_per_year"]
    assert kept.equals(decided(FOREVER).candidate["net_benefit_usd_per_year"])


def test_adjustments_are_credited():
    kind = tariff(leak_adjustment_share=0.5, leak_adjustment_months=3)
    given_back = decided(Thresholds(), kind)
    plain = decided(Thresholds())
    less = (
        (plain.candidate["net_benefit_usd_per_year"]).to_numpy()
        - (given_back.candidate["net_benefit_usd_per_year"]).to_numpy()
    )
    assert less.min() > -0.01
    assert less.max() > 0.1
    assert given_back.year_money["leak_adjustment_usd"].min() < 0


@pytest.mark.parametrize("limits", [Thresholds(), FOREVER])
def test_the_years_add_up_to_the_net_present_value(limits):
    """ANALYTIC: numpy-financial on the yearly sums, with replacement in kind credited."""
    rates = tariff(
        leak_adjustment_share=0.5, leak_adjustment_months=2, avoided_water_usd_per_kgal=1.0
    )
    ages = np.random.default_rng(3).uniform(0, 25, 400)
    decision = decided(limits, rates, age_years=ages)
    assert violations(as_block(decision.year_money, YEAR_MONEY), YEAR_MONEY) == []
    changes = decision.recommendation.filter(pl.col("action") == "change")
    assert changes.height > 10
    assert (changes["renewal_gain_usd_per_year"].abs() > 0).any()
    for row in changes.iter_rows(named=True):
        years = decision.year_money.filter(pl.col("account_id") == row["account_id"])
        net = years.sort("year")["net_usd"].to_numpy()
        expected = row["net_present_value_usd"]
        near = 0.05 + 2e-5 * abs(net).sum()
        assert npf.npv(0.04, net) == pytest.approx(expected, abs=near)
        assert years["present_value_usd"][-1] == pytest.approx(expected, abs=near)


def test_a_reason_says_when_a_leak_carries_the_change():
    rows = decided(Thresholds(odds_of_benefit=0.5)).recommendation
    paid = rows.filter(pl.col("verdict").is_in(["oversized", "wrong_type"]))
    carried = pl.col("net_benefit_without_leak_usd_per_year") <= 0
    said = pl.col("reason").str.contains("such as a leak, carries this change")
    assert paid.filter(carried).height > 0
    assert paid.filter(~carried).height > 0
    assert paid.filter(carried).select(said.all()).item()
    assert not paid.filter(~carried).select(said.any()).item()


def test_a_reason_says_when_a_leak_brings_most_of_a_change():
    """Limit: half of the net benefit (our convention)."""
    rows = decided(Thresholds(odds_of_benefit=0.5)).recommendation
    left, net = pl.col("net_benefit_without_leak_usd_per_year"), "net_benefit_usd_per_year"
    paid = rows.filter(pl.col("verdict").is_in(["oversized", "wrong_type"]), left > 0)
    said = pl.col("reason").str.contains("such as a leak, brings .* if it is repaired at once")
    is_much = left < 0.5 * pl.col(net)
    assert paid.filter(is_much).height > 0
    assert paid.filter(~is_much).height > 0
    assert paid.filter(is_much).select(said.all()).item()
    assert not paid.filter(~is_much).select(said.any()).item()


def test_shares_that_rise_are_refused():
    with pytest.raises(ValidationError, match="must not increase"):
        Thresholds(leak_runs_after_12_months_share=0.9)
