"""The choice in two steps: whether to change at all, then which meter."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rightsize.meters.catalogue import Meter
from rightsize.recommend.best_meter import best_meter, ranks
from rightsize.recommend.rules.meter_rules import BIT
from rightsize.recommend.weigh import Weighed, worth_usd
from tests.unit.recommend.one_account import decided, lost_by, row, sold

SMALL = sold("displacement", 1.5, 100, 400)
BETTER = sold("displacement", 2.0, 160, 400)


def test_once_a_change_is_proven_the_meter_that_brings_more_wins() -> None:
    """HAND: 7 of 10 samples for 400 USD a year, 6 of 10 for 930 USD: the second is chosen.

    Held against keeping alone the first would win: only it reaches odds of 0.65.
    """
    gains = [[70_000.0] * 7 + [1000.0] * 3, [190_000.0] * 6 + [1000.0] * 4]
    assert row(decided([SMALL, BETTER], gains))["recommended_size_in"] == 2.0
    alone = decided([BETTER], gains[1:])
    assert row(alone)["verdict"] == "fits"
    no_slack = decided([SMALL, BETTER], gains, limits={"odds_slack": 0})
    assert row(no_slack)["recommended_size_in"] == 1.5
    assert lost_by(no_slack, 2) == "odds_of_benefit"


def test_within_the_tie_band_the_cheaper_meter_is_taken_and_the_reason_says_so() -> None:
    """HAND: worth 980 (1,000 less 400 / 20) and 1,000 USD a year: 2 % apart."""
    dear = sold("displacement", 2.0, 160, 1000)
    gains = [[100_000.0] * 10, [105_000.0] * 10]
    near = row(decided([SMALL, dear], gains, limits={"tie_band_share": 0.03}))
    assert near["recommended_size_in"] == 1.5
    assert "a 2 in displacement is worth about the same and costs more" in near["reason"]
    strict = row(decided([SMALL, dear], gains, limits={"tie_band_share": 0.01}))
    assert strict["recommended_size_in"] == 2.0
    assert "about the same" not in strict["reason"]


def test_a_cheaper_meter_that_may_be_too_small_is_no_tie() -> None:
    weighed = some_weighed(net=[[0.0, 1000.0, 1010.0]], fit=[[1.0, 0.95, 1.0]])
    cost = np.array([[0.0, 300.0, 900.0]])
    allowed = np.array([[False, True, True]])
    assert best_meter(allowed, weighed, cost, tie_band_share=0.2)[0] == 2
    as_sure = replace(weighed, odds_of_fit=np.ones((1, 3)))
    assert best_meter(allowed, as_sure, cost, tie_band_share=0.2)[0] == 1


def some_weighed(net: Any, fit: Any, wrong: float = 0.0) -> Weighed:
    net, fit = np.array(net), np.array(fit)
    return Weighed(
        broken=np.zeros(net.shape, dtype=np.int32),
        odds_of_fit=fit,
        odds_of_benefit=np.ones(net.shape),
        net_benefit_range_usd=(net, net, net),
        registered_gal=(net, net, net),
        accuracy_pct=(net, net, net),
        worth_usd=worth_usd(net, fit, np.full(net.shape, wrong)),
    )


def test_the_cost_of_being_wrong_outweighs_a_small_gain() -> None:
    """HAND: 27 USD a year more, fit at 0.92: 0.08 of 500 USD a year is 40 USD."""
    net, fit = [[500.0, 473.0]], [[0.92, 1.0]]
    both = np.ones((1, 2), dtype=bool)
    cost = np.array([[300.0, 300.0]])
    told = some_weighed(net, fit, wrong=500.0)
    np.testing.assert_allclose(told.worth_usd, [[500 * 0.92 - 40, 473.0]])
    assert best_meter(both, told, cost, tie_band_share=0.0)[0] == 1
    free = some_weighed(net, [[1.0, 1.0]])
    assert best_meter(both, free, cost, tie_band_share=0.0)[0] == 0


@pytest.mark.parametrize(
    ("limits", "is_kept"),
    [
        ({}, False),
        ({"min_net_benefit_usd_per_year": 180.0}, False),
        ({"min_net_benefit_usd_per_year": 180.01}, True),
        ({"min_gain_points": 2.0}, False),
        ({"min_gain_points": 2.01}, True),
        ({"max_payback_years": 2.0}, False),
        ({"max_payback_years": 1.99}, True),
    ],
)
def test_what_is_not_worth_a_visit(limits: dict[str, Any], is_kept: bool) -> None:
    """HAND: 20,000 gal of 1,000,000 is 2 points, 200 USD; 400 USD over 20 years is 20 USD."""
    told = decided([SMALL], [[20_000.0] * 10], limits=limits)
    assert (row(told)["verdict"] == "fits") is is_kept
    names = {
        "min_net_benefit_usd_per_year": ("benefit_too_small", "less than the $180 a year"),
        "min_gain_points": ("gain_too_small", "with an accuracy gain below 2.01"),
        "max_payback_years": ("payback_too_long", "with a payback above 1.99 years"),
    }
    if is_kept:
        code, words = names[next(iter(limits))]
        assert lost_by(told, 1) == code
        assert words in row(told)["reason"]
        assert row(told)["action"] == "keep"  # no log proves what is not worth a visit


@pytest.mark.parametrize(("cost_usd", "is_kept"), [(1999.0, False), (2000.0, True)])
def test_a_costly_change_needs_surer_odds(cost_usd: float, is_kept: bool) -> None:
    """Odds of 0.7: enough for a small outlay, not for one of `costly_change_usd`."""
    dear = sold("displacement", 2.0, 160, cost_usd)
    told = decided([dear], [[150_000.0] * 7 + [1000.0] * 3])
    assert (row(told)["verdict"] == "fits") is is_kept
    if is_kept:
        assert row(told)["action"] == "log_first"
        assert "for a change that costs $2,000" in row(told)["reason"]


@pytest.mark.parametrize(("peak_gpm", "is_kept"), [(80.0, False), (80.1, True)])
def test_the_design_peak_stays_within_its_share_of_smoc(peak_gpm: float, is_kept: bool) -> None:
    told = decided([SMALL], [[100_000.0] * 10], peak_gpm=peak_gpm)
    assert (row(told)["verdict"] == "fits") is is_kept
    assert lost_by(told, 1) == ("peak_over_design_share" if is_kept else None)


def test_the_installed_meter_is_not_held_to_the_design_share() -> None:
    told = decided([SMALL], [[1000.0] * 10], peak_gpm=170.0)
    assert row(told)["verdict"] == "fits"
    assert told.candidate.row(0, named=True)["feasible"]


@pytest.mark.parametrize(
    ("other", "rule"),
    [
        (sold("compound", 3.0, 320, 1000), "larger_without_need"),
        (sold("displacement", 2.0, 320, 1000), None),  # no larger size
        (sold("compound", 3.0, 190, 1000), None),  # no larger capacity
        (sold("turbine", 3.0, 435, 1000), "larger_without_need"),
        (sold("turbine", 2.0, 190, 1000, grade="other"), "replacement_by_age"),
        (sold("displacement", 2.0, 160, 1000), None),
    ],
)
def test_larger_without_need_and_replacement_by_age(other: Meter, rule: str | None) -> None:
    told = decided([other], [[100_000.0] * 10])
    assert lost_by(told, 1) == rule


def test_an_overloaded_meter_may_get_a_larger_one_and_a_stronger_grade() -> None:
    """At 250 gpm the 2 in turbine is overloaded; a larger one is needed then."""
    strong = sold("turbine", 2.0, 400, 1000, grade="strong")
    larger = sold("compound", 3.0, 320, 1000)
    told = decided([strong, larger], [[0.0] * 10] * 2, peak_gpm=250.0)
    assert row(told)["verdict"] == "undersized"
    assert lost_by(told, 2) in (None, "less_benefit")
    assert lost_by(told, 1) in (None, "less_benefit")


def test_a_same_size_change_is_never_called_oversized() -> None:
    """A smaller turbine pays too, but the best is of the same size: wrong type."""
    installed = sold("turbine", 3.0, 435, 1000)
    smaller = sold("turbine", 2.0, 190, 400)
    same = sold("compound", 3.0, 320, 1200)
    gains = [[50_000.0] * 10, [180_000.0] * 10]
    told = row(decided([smaller, same], gains, installed=installed))
    assert told["recommended_type"] == "compound"
    assert told["verdict"] == "wrong_type"
    first = row(decided([smaller], gains[:1], installed=installed))
    assert first["verdict"] == "oversized"


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_no_allowed_meter_is_worth_more_than_the_tie_band_above_the_chosen(seed: int) -> None:
    rng = np.random.default_rng(seed)
    net = rng.normal(100, 300, (20, 6))
    weighed = some_weighed(net, rng.uniform(0.9, 1.0, (20, 6)), wrong=rng.uniform(0, 500))
    allowed = rng.random((20, 6)) < 0.6
    allowed[:, 0] = True
    cost = rng.uniform(100, 5000, (20, 6))
    chosen = best_meter(allowed, weighed, cost, tie_band_share=0.1)
    at = np.arange(20)
    assert allowed[at, chosen].all()
    top = np.where(allowed, weighed.worth_usd, -np.inf)
    best = top.argmax(axis=1)
    assert (weighed.worth_usd[at, chosen] >= top.max(axis=1) - 0.1 * abs(top.max(axis=1))).all()
    assert (cost[at, chosen] <= cost[at, best]).all()
    assert (weighed.odds_of_fit[at, chosen] >= weighed.odds_of_fit[at, best]).all()
    place = ranks(weighed, allowed, np.zeros(20, dtype=np.int64), chosen)
    assert (place[at, chosen] == 1).all()


def test_ranks_number_the_feasible_meters_even_if_the_installed_one_is_not() -> None:
    weighed = some_weighed(net=[[0.0, 50.0, 90.0]], fit=[[1.0, 1.0, 1.0]])
    none = np.zeros((1, 3), dtype=bool)
    overrun = replace(weighed, broken=np.array([[BIT["peak_over_smoc"], 0, 0]], dtype=np.int32))
    at_first = np.zeros(1, dtype=np.int64)
    assert ranks(overrun, none, at_first, at_first).tolist() == [[0, 2, 1]]
    assert ranks(weighed, none, at_first, at_first).tolist() == [[1, 3, 2]]
