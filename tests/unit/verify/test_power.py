"""Power: what is said to be visible is seen as often as said."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from rightsize.verify.panel import WEEKS
from rightsize.verify.power import cases_needed, change_spread, smallest_visible_gain
from rightsize.verify.realised import realised
from tests.unit.verify.fleets import fleet


def test_spread_of_independent_weeks_follows_from_their_number():
    """ANALYTIC: weeks of 6 % spread: variance of the log ratio is 0.06^2 (1/52 + 1/n)."""
    rng = np.random.default_rng(1)
    volume = rng.gamma(1 / 0.06**2, 0.06**2, (4000, 104))
    weeks = np.array([4, 8, 26, 52])
    found = change_spread(volume, periods_before=52, periods_after=weeks)
    assert found == pytest.approx(0.06 * np.sqrt(1 / 52 + 1 / weeks), rel=0.05)


def test_visible_gain_is_near_that_of_the_noncentral_t():
    """OUTSIDE: power of the noncentral t of scipy at the stated gain."""
    gain = smallest_visible_gain(np.array([0.02]), controls=20)[0]
    shift = np.log1p(gain) / (0.02 * np.sqrt(1 + 1 / 20))
    seen = 1 - stats.nct.cdf(stats.t.ppf(0.95, 19), 19, shift)
    assert seen == pytest.approx(0.80, abs=0.02)


def test_a_gain_of_the_stated_size_is_seen_in_four_of_five_cases():
    """PLANTED: equal weeks, 8 weeks after, in 400 cases; standard error 2 %."""
    weeks_after = 8
    made = fleet(301, gain=(0.0, 0.0), drought=False, weeks_after=(8, 9))
    kept = made.panel.registered_gal_per_day[made.panel.is_kept]
    own = made.panel.customer_class[made.panel.is_kept]
    spread = np.array(
        [
            change_spread(
                kept[own == c], periods_before=52, periods_after=np.array([weeks_after])
            )[0]
            for c in range(4)
        ]
    )
    stated = smallest_visible_gain(spread, controls=20)[
        made.panel.customer_class[made.cases.account]
    ]
    volume = made.panel.registered_gal_per_day
    week = np.arange(volume.shape[1])
    volume[made.cases.account] *= 1 + stated[:, None] * (week > made.cases.change[:, None])
    said = realised(made.panel, made.cases, WEEKS)
    assert 0.70 <= (said.gain_low_share > 0).mean() <= 0.90


def test_more_weeks_cases_and_controls_show_smaller_gains():
    spread = np.array([0.06, 0.03, 0.02])
    one = smallest_visible_gain(spread, controls=20)
    assert (np.diff(one) < 0).all()
    assert (smallest_visible_gain(spread, controls=20, cases=9) < one / 2.9).all()
    assert (smallest_visible_gain(spread, controls=5) > one).all()


def test_cases_needed_for_two_percent():
    """HAND: ((1.645 + 0.842) * 0.05 * sqrt(1.05) / ln 1.02)^2 = 41.4."""
    assert cases_needed(0.05, gain_share=0.02, controls=20) == 42


def test_too_short_a_record_says_nothing():
    volume = np.ones((5, 30))
    found = change_spread(volume, periods_before=26, periods_after=np.array([0, 4, 5]))
    assert np.isnan(found).tolist() == [True, False, True]


def test_accounts_with_gaps_are_left_out():
    volume = np.random.default_rng(2).gamma(100, 0.01, (50, 60))
    volume[0, 3] = np.nan
    weeks = np.array([8])
    with_gap = change_spread(volume, periods_before=52, periods_after=weeks)
    assert with_gap == change_spread(volume[1:], periods_before=52, periods_after=weeks)
