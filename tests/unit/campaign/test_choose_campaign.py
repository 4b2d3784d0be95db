"""The campaign against brute force on tiny fleets, and its limits both ways."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from rightsize.campaign.choose_campaign import Campaign, choose_campaign, valued
from rightsize.campaign.in_order import keeps
from rightsize.campaign.model import class_prices
from rightsize.errors import ConfigError
from tests.unit.campaign.plain_options import limits, options


def chosen(campaign: Campaign) -> set[str]:
    return set(campaign.options.account_id[campaign.plan.option])


def brute_force(held, least) -> float:
    """HAND: every choice of options and weeks, the best that keeps the limits."""
    sites = {name: float(g) for name, g in zip(held.customer_class, held.gain_usd, strict=True)}
    gains = dict.fromkeys(sites, 0.0)
    for name, gain in zip(held.customer_class, held.gain_usd, strict=True):
        gains[name] += float(gain)
    prices = class_prices(held, gains, {}, least)
    starts = [[None, *np.flatnonzero(row)] for row in held.is_in_season]
    best = 0.0
    for choice in itertools.product(*starts):
        option = np.array([k for k, w in enumerate(choice) if w is not None], dtype=np.int64)
        week = np.array([w for w in choice if w is not None], dtype=np.int64)
        if keeps(held, least, option, week):
            best = max(best, valued(held, least, prices, option, week).value_usd)
    return best


@pytest.mark.parametrize("seed", range(6))
def test_finds_the_best_of_every_choice_on_tiny_fleets(seed):
    rng = np.random.default_rng(seed)
    held = options(
        rng.uniform(80, 900, 6).round().tolist(),
        area=rng.choice(["east", "west"], 6).tolist(),
        customer_class=rng.choice(["office", "hotel"], 6).tolist(),
        days=float(rng.choice([2.0, 7.0])),
        season=rng.random((6, 2)) < 0.8,
    )
    least = limits(
        budget_usd=450, area_trip_hours=1, area_trip_usd=40, crew_hours_per_week=5.0,
        class_common_share=0.2,
    )  # fmt: skip
    found = choose_campaign(held, least, relative_gap=0.0)
    assert found.plan.value_usd == pytest.approx(brute_force(held, least), abs=1e-6)
    assert found.plan.gap_share < 1e-6


def test_one_logger_takes_two_nights_a_week_at_two_sites_each():
    """HAND: two nights and a day to move it: two sites a week, four in two weeks."""
    found = choose_campaign(options([900, 800, 700, 600, 500, 400]), limits())
    assert chosen(found) == {"A0", "A1", "A2", "A3"}
    assert found.plan.value_usd == pytest.approx(900 + 800 + 700 + 600 - 4 * 100)


def test_a_log_of_two_weeks_binds_its_logger_for_both():
    long = options([900, 800, 700], kind="flow_logging", days=14.0, weeks=4)
    long.is_in_season[:, 3] = False  # it would end after the campaign
    assert len(chosen(choose_campaign(long, limits(week_count=4)))) == 2
    assert len(chosen(choose_campaign(long, limits(week_count=4, logger_count=2)))) == 3


@pytest.mark.parametrize(("budget", "count"), [(99, 0), (100, 1), (299, 2), (300, 3)])
def test_the_budget_is_kept_to_the_dollar(budget, count):
    found = choose_campaign(options([900, 800, 700]), limits(budget_usd=budget))
    assert len(found.plan.option) == count


def test_a_site_is_learned_about_once_by_its_best_kind():
    pair = options([500, 800], site=["A0", "A0"])
    found = choose_campaign(pair, limits())
    assert found.plan.option.tolist() == [1]


def test_what_costs_more_than_it_brings_is_left():
    found = choose_campaign(options([101, 100, 99]), limits())
    assert chosen(found) == {"A0"}


def test_a_site_out_of_season_waits_for_its_week():
    season = np.array([[False, True], [True, True]])
    one = options([900, 800], days=7.0, season=season)
    found = choose_campaign(one, limits())
    weeks = dict(zip(found.plan.option.tolist(), found.plan.week.tolist(), strict=True))
    assert weeks == {0: 1, 1: 0}


def test_a_trip_that_costs_more_than_a_far_site_brings_is_not_made():
    far = options([900, 800, 130], area=["near", "near", "far"])
    assert chosen(choose_campaign(far, limits(area_trip_usd=29))) == {"A0", "A1", "A2"}
    assert chosen(choose_campaign(far, limits(area_trip_usd=31))) == {"A0", "A1"}


def test_the_first_log_of_a_class_is_worth_more_than_a_fifth_of_another():
    """HAND: four logs may be made. The hotel's own net gain is lower by 10; its class brings
    0.1 x 8000 x 1/4 = 200 with the first log, and nothing is to be learned of offices."""
    held = options([500, 500, 500, 500, 490], customer_class=["office"] * 4 + ["hotel"])
    least = limits(class_common_share=0.1, class_half_logs=3.0)
    gains = {"hotel": 8000.0, "office": 0.0}
    assert "A4" in chosen(choose_campaign(held, least, gain_by_class=gains))
    known = choose_campaign(held, least, gain_by_class=gains, held_logs={"hotel": 1000})
    assert "A4" not in chosen(known)


def test_it_is_never_worth_less_than_a_simple_ranking():
    rng = np.random.default_rng(3)
    held = options(rng.lognormal(6, 1, 60).tolist(), area=rng.choice(list("abc"), 60).tolist())
    found = choose_campaign(held, limits(area_trip_usd=90, area_trip_hours=1, budget_usd=900))
    assert found.plan.value_usd >= found.largest_gain.value_usd
    assert found.plan.value_usd >= found.random_value_usd
    assert keeps(found.options, found.limits, found.plan.option, found.plan.week)


def test_nothing_to_learn_is_an_empty_campaign():
    found = choose_campaign(options([50.0]), limits())
    assert len(found.plan.option) == 0
    assert found.plan.value_usd == 0
    assert found.plan.gap_share == 0


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"budget_usd": -1}, "budget must be"),
        ({"week_count": 0}, "1 or more weeks"),
        ({"logger_count": -1}, "0 or more loggers"),
    ],
)
def test_limits_out_of_range_are_refused(changes, message):
    with pytest.raises(ConfigError, match=message):
        choose_campaign(options([500.0]), limits(**changes))
