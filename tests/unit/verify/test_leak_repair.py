"""Shares of steady flow that goes on, learned from change-outs: planted and recovered."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from rightsize.settings import Thresholds
from rightsize.verify.leaks.leak_repair import SET_AFTER_MONTHS, learned_leak_repair

DEFAULTS = Thresholds()
TOLD = DEFAULTS.model_dump()


def rows(*, new=None, **left):
    """Rows of realised_gain of cases: m3, m12, m36 are the shares left, one a case."""
    count = max((len(v) for v in left.values()), default=0)
    held = {
        f"steady_left_{n}_months_share": left.get(f"m{n}", [None] * count)
        for n in SET_AFTER_MONTHS
    }
    flow = {"steady_new_gpm": [0.5] * count if new is None else new}
    names = (*flow, *held)
    return pl.DataFrame({**flow, **held}, schema=dict.fromkeys(names, pl.Float64))


def used(found):
    return [s.share for s in found.shares]


def test_few_cases_leave_what_is_set():
    found = learned_leak_repair(rows(m3=[0.0] * 4), TOLD)
    assert not found.is_applied
    assert found.thresholds == {}
    assert used(found) == [0.8, 0.55, 0.35]
    assert [s.case_count for s in found.shares] == [4, 0, 0]
    assert learned_leak_repair(rows(), TOLD).thresholds == {}


def test_the_share_is_the_mean_of_a_beta_posterior():
    """OUTSIDE: `scipy.stats.beta`, with the mean and deviation of a uniform 0.55 to 1.05."""
    seen = [1.0] * 5 + [0.0] * 5
    found = learned_leak_repair(rows(m3=seen), TOLD).shares[0]
    count = 0.8 * 0.2 / (0.25**2 / 3) - 1  # of the prior
    prior = stats.beta(0.8 * count, 0.2 * count)
    assert (prior.mean(), prior.std()) == pytest.approx((0.8, 0.25 / np.sqrt(3)))
    after = stats.beta(0.8 * count + 5, 0.2 * count + 5)
    assert found.share == pytest.approx(after.mean()) == pytest.approx(0.62, abs=0.002)
    assert found.half_width == pytest.approx(np.sqrt(3) * after.std())


def test_one_large_leak_weighs_as_little_as_one_case():
    small = rows(m3=[1.0] + [0.0] * 9)
    large = rows(m3=[1.0] + [0.0] * 9, new=[100.0] + [0.1] * 9)
    weak, strong = (learned_leak_repair(r, TOLD).shares[0] for r in (large, small))
    assert weak.observed_share == pytest.approx(1.0, abs=0.01)
    assert weak.share - 0.8 == pytest.approx(0.2 / 7.68, rel=0.05)  # one case beside 6.68
    assert strong.share < 0.5


def test_a_utility_that_knows_learns_nothing():
    told = {**TOLD, "leak_runs_spread_share": 0.0}
    found = learned_leak_repair(rows(m3=[0.0] * 50), told)
    assert used(found) == [0.8, 0.55, 0.35]
    assert found.spread_share == 0


def test_the_range_narrows_once_all_three_are_learned():
    some = learned_leak_repair(rows(m3=[0.8] * 90, m12=[0.5] * 90), TOLD)
    assert some.spread_share == 0.25
    assert [s.half_width < 0.1 for s in some.shares] == [True, True, False]
    left = {"m3": [0.8] * 90, "m12": [0.5] * 90, "m36": [0.3] * 90}
    assert learned_leak_repair(rows(**left), TOLD).spread_share < 0.1


SHARES = st.lists(st.floats(0, 1), min_size=5, max_size=40)


@given(m3=SHARES, data=st.data())
def test_a_learned_share_lies_between_and_never_rises_with_time(m3, data):
    """LAW: between what is set and what is seen, or lower as the sooner one is."""
    same = st.lists(st.floats(0, 1), min_size=len(m3), max_size=len(m3))
    left = {"m3": m3, "m12": data.draw(same), "m36": data.draw(same)}
    found = learned_leak_repair(rows(**left), TOLD)
    assert np.all(np.diff(used(found)) <= 0)
    assert Thresholds(**found.thresholds).leak_runs_spread_share <= 0.25
    sooner = 1.0
    for share in found.shares:
        low, high = sorted((share.set_share, share.observed_share))
        assert share.share == sooner or low - 1e-9 <= share.share <= high + 1e-9
        sooner = share.share


@pytest.mark.parametrize("truth", [0.2, 0.9])
def test_many_cases_recover_a_planted_share(truth):
    """PLANTED: 400 leaks of log-normal size, each still there with that probability."""
    rng = np.random.default_rng(3)
    left, flow = (rng.random(400) < truth).astype(float), np.exp(rng.normal(-1, 0.5, 400))
    found = learned_leak_repair(rows(m3=list(left), new=list(flow)), TOLD).shares[0]
    assert found.share == pytest.approx(truth, abs=0.06)
