"""Means, odds and quantiles over weighted draws."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rightsize.recommend.weighted import interval, odds, weighted_mean


def test_interval_of_equal_weights_leaves_a_twentieth_on_either_side() -> None:
    """ANALYTIC: of 100 equal draws 5 lie below the low bound, 5 above the high bound."""
    value = np.random.default_rng(3).permutation(np.arange(100.0))[:, None]
    low, high = interval(value, np.full((100, 1), 0.01))
    assert (value < low).sum() <= 5
    assert (value > high).sum() <= 5
    assert (value < low).sum() >= 4


def test_interval_follows_weights_not_counts() -> None:
    """HAND: weights .02 .03 .90 .05: bounds leave at most .05 on either side."""
    value = np.array([1.0, 2.0, 3.0, 4.0])[:, None]
    weight = np.array([0.02, 0.03, 0.90, 0.05])[:, None]
    low, high = interval(value, weight)
    assert low[0] in (2.0, 3.0)
    assert high[0] in (3.0, 4.0)
    assert weight[value < low].sum() <= 0.05 + 1e-9
    assert weight[value > high].sum() <= 0.05 + 1e-9


@given(st.integers(0, 10_000), st.integers(1, 60))
def test_interval_never_leaves_more_than_its_tails(seed: int, count: int) -> None:
    rng = np.random.default_rng(seed)
    value = rng.normal(size=(count, 3)).round(1)
    weight = rng.dirichlet(np.ones(count), 3).T
    low, high = interval(value, weight)
    assert np.all((weight * (value < low)).sum(axis=0) <= 0.05 + 1e-5)
    assert np.all((weight * (value > high)).sum(axis=0) <= 0.05 + 1e-5)


@given(st.integers(0, 10_000))
def test_order_of_draws_does_not_matter(seed: int) -> None:
    rng = np.random.default_rng(seed)
    value, weight = rng.normal(size=(30, 2, 4)), rng.dirichlet(np.ones(30), 2).T
    order = rng.permutation(30)
    for a, b in zip(
        interval(value, weight), interval(value[order], weight[order]), strict=True
    ):
        np.testing.assert_array_equal(a, b)
    np.testing.assert_allclose(
        weighted_mean(value, weight), weighted_mean(value[order], weight[order])
    )


def test_odds_count_the_weight_of_draws() -> None:
    event = np.array([[True], [False], [True]])
    share = odds(event, np.array([[0.2], [0.5], [0.3]]))[0]
    assert share == pytest.approx(0.5, rel=1e-6)  # a sum, in single precision for each meter


@given(st.integers(0, 10_000), st.sampled_from([np.float32, np.float64]))
def test_interval_agrees_with_a_plain_sort(seed: int, kind: type) -> None:
    """ANALYTIC: for each account and meter, draws sorted and weights added one by one."""
    rng = np.random.default_rng(seed)
    value = (rng.normal(size=(40, 3, 2)) * 10.0 ** rng.integers(-3, 6, (1, 3, 2))).astype(kind)
    weight = rng.dirichlet(np.ones(40), 3).T
    before = value.copy()
    low, high = interval(value, weight)
    np.testing.assert_array_equal(value, before)
    for a in range(3):
        for m in range(2):
            order = np.argsort(value[:, a, m])
            total = np.cumsum(weight[order, a])
            near = np.min(np.abs(total[:, None] - [0.05, 0.95])) < 1e-5
            if not near:
                assert low[a, m] == value[order[np.searchsorted(total, 0.05)], a, m]
                assert high[a, m] == value[order[np.searchsorted(total, 0.95)], a, m]


def test_interval_of_numbers_of_either_sign_and_zero() -> None:
    value = np.array([0.0, -5.0, 3.0, -1e-30, 0.0])[:, None]
    low, high = interval(value, np.full((5, 1), 0.2))
    assert (low[0], high[0]) == (-5.0, 3.0)
