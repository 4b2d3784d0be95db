"""Wear of both meters over the horizon, and the age at which replacement in kind pays."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy_financial as npf
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rightsize.contracts.frames import as_block, violations
from rightsize.contracts.money import REPLACEMENT_AGE
from rightsize.recommend.ageing import OLDEST_YEARS, economic_age, wear_years
from rightsize.recommend.choose import Decision, decide
from rightsize.settings import Thresholds
from tests.unit.recommend.synthetic import fleet, tariff

STILL = dict.fromkeys(("displacement", "turbine", "compound"), 0.0)
NONE = Thresholds(count_wear=True, wear_pct_per_year=STILL, wear_pct_per_1000_hours=STILL)


def decided(limits: Thresholds, ages: np.ndarray | None = None) -> Decision:
    block, posterior, sites, meters = fleet(300)
    if ages is not None:
        sites = replace(sites, age_years=ages)
    return decide(block, posterior, sites, meters, tariff(), limits, units="us")


def test_the_switch_is_the_same_as_meters_that_do_not_wear():
    off, none = decided(Thresholds(count_wear=False)), decided(NONE)
    assert off.candidate.equals(none.candidate)
    assert off.recommendation.equals(none.recommendation)
    assert (off.recommendation["wear_gain_usd_per_year"].drop_nulls() == 0).all()


def test_wear_of_the_installed_type_speaks_for_a_change_and_of_the_others_against():
    old = Thresholds(
        count_wear=True,
        wear_pct_per_year={**STILL, "turbine": 2},
        wear_pct_per_1000_hours=STILL,
    )
    other = {**STILL, "displacement": 2, "compound": 2}
    new = Thresholds(count_wear=True, wear_pct_per_year=other, wear_pct_per_1000_hours=STILL)
    is_turbine = pl.col("installed_type") == "turbine"
    keys = decided(NONE).recommendation.filter(is_turbine)["account_id"]
    mine = pl.col("account_id").is_in(keys.implode()) & (pl.col("meter_type") != "turbine")
    net = {
        name: decided(limits).candidate.filter(mine)["net_benefit_usd_per_year"]
        for name, limits in (("none", NONE), ("old", old), ("new", new))
    }
    assert (net["old"] - net["none"]).min() > 0
    assert (net["new"] - net["none"]).max() < 0


def test_wear_starts_again_when_the_old_meter_is_replaced():
    years = wear_years(np.array([2.0, np.inf, 0.0]), 4)
    assert years.tolist() == [[0.5, 1.5, 0.5, 1.5], [0.5, 1.5, 2.5, 3.5], [0.5, 1.5, 2.5, 3.5]]


@given(cost=st.floats(100, 5000), loss=st.floats(1, 500), rate=st.floats(0.5, 10))
def test_the_economic_age_has_the_least_level_cost(cost, loss, rate):
    """ANALYTIC: numpy-financial's level payment of purchase and wear, age by age."""
    level = []
    for age in range(1, OLDEST_YEARS + 1):
        wear = [loss * (year - 0.5) for year in range(1, age + 1)]
        worth = cost + npf.npv(rate / 100, [0.0, *wear])
        level.append(-npf.pmt(rate / 100, age, worth))
    best = economic_age(np.array([cost]), np.array([loss]), rate)[0]
    cheapest = int(np.argmin(level)) + 1
    if cheapest == OLDEST_YEARS:
        assert np.isnan(best)
    else:
        assert level[int(best) - 1] == pytest.approx(level[cheapest - 1], rel=1e-9)


def test_what_does_not_wear_is_never_replaced_for_wear():
    assert np.isnan(economic_age(np.array([500.0]), np.array([0.0]), 4.0))[0]
    ages = economic_age(np.full(3, 500.0), np.array([5.0, 20.0, 100.0]), 4.0)
    assert np.all(np.diff(ages) < 0)


def test_every_assessed_meter_has_a_row_that_keeps_its_contract():
    ages = np.where(np.arange(300) % 3 == 0, np.nan, np.arange(300) / 10)
    decision = decided(Thresholds(), ages)
    rows = decision.replacement_age
    assert violations(as_block(rows, REPLACEMENT_AGE), REPLACEMENT_AGE) == []
    assessed = decision.recommendation.filter(pl.col("verdict") != "not_assessed")
    assert set(rows["account_id"]) == set(assessed["account_id"])
    unknown = rows["age_years"].is_null()
    assert 0 < unknown.sum() < rows.height
    assert (rows["years_left"].is_null() == unknown).all()


def test_waiting_costs_the_first_year_less_a_year_of_the_price():
    decision = decided(Thresholds())
    changes = decision.recommendation.filter(pl.col("action") == "change")
    assert changes["waiting_cost_usd"].null_count() == 0
    row = changes.row(0, named=True)
    first = decision.year_money.filter(account_id=row["account_id"], year=1)["net_usd"].item()
    price = -npf.pmt(0.04, 15, row["change_cost_usd"])
    assert row["waiting_cost_usd"] == pytest.approx(first - price, abs=0.01)
    kept = decision.recommendation.filter(pl.col("action") == "keep")
    assert kept["waiting_cost_usd"].null_count() == kept.height


def test_a_type_that_is_not_given_keeps_its_default():
    held, given_one = (
        Thresholds(),
        Thresholds(count_wear=True, wear_pct_per_year={"turbine": 1.0}),
    )
    assert given_one.wear_pct_per_year["turbine"] == 1.0
    assert given_one.wear_pct_per_year["displacement"] == held.wear_pct_per_year["displacement"]


def test_a_reason_says_when_wear_carries_the_change():
    worn = Thresholds(
        count_wear=True,
        wear_pct_per_year={**STILL, "turbine": 2},
        wear_pct_per_1000_hours=STILL,
    )
    rows = decided(worn).recommendation
    paid = rows.filter(pl.col("verdict").is_in(["oversized", "wrong_type"]))
    carried = pl.col("net_benefit_usd_per_year") <= pl.col("wear_gain_usd_per_year")
    said = pl.col("reason").str.contains("wear at the rates that are set carries this change")
    assert paid.filter(carried).height > 0
    assert paid.filter(~carried).height > 0
    assert paid.filter(carried).select(said.all()).item()
    assert not paid.filter(~carried).select(said.any()).item()
