"""Which accounts get more samples: those whose choice a few samples more may change."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from rightsize.inference.posterior import BY_ACCOUNT
from rightsize.recommend.choose import decide
from rightsize.recommend.rules.near_threshold import near_threshold
from rightsize.settings import Thresholds
from tests.unit.recommend.synthetic import fleet, tariff

# 0.85 for fit and 0.9 for undersized by default
LIMITS = Thresholds(odds_of_benefit=0.75, odds_of_costly_benefit=0.85)


def near(
    *, benefit=0.99, fit=0.99, overload=0.0, net=500.0, rejected=None, kept=False, cost=900.0,
    held_fit=1.0, action="change",
):  # fmt: skip
    """Whether an account with one rival to its meter is near."""
    told = pl.DataFrame(
        {
            "meter_id": ["M"],
            "action": ["keep" if kept else action],
            "net_benefit_usd_per_year": [0.0 if kept else 500.0],
            "odds_of_fit": [1.0],
            "odds_of_undersized": [overload],
        }
    )
    rival = pl.DataFrame(
        {
            "meter_id": ["M", "M"],
            "is_installed": [True, False],
            "rejected_because": pl.Series([None, rejected], dtype=pl.String),
            "net_benefit_usd_per_year": [0.0, net],
            "change_cost_usd": [0.0, cost],
            "odds_of_benefit": [None, benefit],
            "odds_of_fit": [held_fit, fit],
        }
    )
    return near_threshold(told, rival, LIMITS).to_list() == ["M"]


@pytest.mark.parametrize(
    ("odds", "expected"),
    [
        (0.3, False),
        (0.45, True),
        (0.55, True),
        (0.62, False),
        (0.7, True),
        (0.8, True),
        (0.9, False),
    ],
)
def test_a_probability_of_benefit_about_its_threshold_is_near(odds, expected):
    assert near(benefit=odds) is expected
    assert near(benefit=odds, kept=True) is expected


@pytest.mark.parametrize(
    ("odds", "expected"), [(0.75, False), (0.8, True), (0.9, True), (0.95, False)]
)
def test_a_probability_of_fit_about_its_threshold_is_near(odds, expected):
    assert near(fit=odds) is expected


def test_beside_a_meter_that_may_be_too_small_its_own_odds_of_fit_count():
    assert not near(fit=0.7, net=900.0)
    assert near(fit=0.7, net=900.0, held_fit=0.7)
    assert not near(fit=0.8, net=900.0, held_fit=0.7)
    assert near(fit=0.5, net=900.0, held_fit=0.1)  # never less than even


def test_lower_odds_are_not_near_where_a_log_comes():
    assert near(benefit=0.5)
    assert not near(benefit=0.5, action="log_first")


def test_a_meter_that_cannot_win_is_no_rival():
    assert near(benefit=0.75)
    assert not near(benefit=0.75, fit=0.5)
    assert not near(benefit=0.75, net=100.0)  # far less than the choice brings
    assert not near(benefit=0.75, net=10.0, kept=True)  # not worth a visit
    assert not near(benefit=0.75, rejected="not_in_stock")
    assert near(benefit=0.74, rejected="odds_of_benefit")
    assert near(fit=0.88, rejected="peak_over_smoc, odds_of_benefit")


def test_a_costly_change_has_a_threshold_of_its_own():
    assert not near(benefit=0.92)
    assert near(benefit=0.92, cost=LIMITS.costly_change_usd)


def test_an_overload_in_doubt_is_near():
    assert near(overload=0.9)
    assert near(overload=0.75)
    assert not near(overload=0.5)


def test_more_samples_join_the_first_and_leave_the_joint_ones_as_they_were():
    """gain_sample keeps the first 64 of each account, about the best estimate of all."""
    block, posterior, sites, meters = fleet(200, draws=64)
    _, more, _, _ = fleet(200, draws=48, seed=2)
    whole = posterior.with_more(more)
    assert len(whole.peak_10s_gpm) == 112
    assert np.array_equal(whole.peak_10s_gpm[:64], posterior.peak_10s_gpm)
    for name in BY_ACCOUNT:
        assert getattr(whole, name).shape == getattr(posterior, name).shape
    found = decide(block, whole, sites, meters, tariff(), LIMITS, units="us")
    assert found.gain_sample["sample"].max() == 64
    means = found.gain_sample.group_by("meter_id").agg(
        pl.col("net_benefit_usd_per_year").mean().alias("mean")
    )
    both = found.recommendation.join(means, on="meter_id")
    net = both["net_benefit_usd_per_year"].to_numpy()
    assert both["mean"].to_numpy() == pytest.approx(net, rel=2e-3, abs=0.5)


def test_some_accounts_of_a_posterior_are_decided_as_in_the_whole():
    _, posterior, _, _ = fleet(60)
    some = np.arange(60) % 3 == 0
    part = posterior.rows(some)
    assert np.array_equal(part.peak_10s_gpm, posterior.peak_10s_gpm[:, some])
    assert np.array_equal(part.time_share, posterior.time_share[some])
