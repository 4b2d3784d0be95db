"""Means, odds and intervals over equally likely samples."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rightsize.inference.samples import interval, mean, odds, quantiles, with_mean


def test_interval_of_a_hundred_leaves_a_twentieth_on_either_side() -> None:
    """ANALYTIC: of 100 samples no more than 5 lie below the low bound, or above the high."""
    value = np.random.default_rng(3).permutation(np.arange(100.0))[:, None]
    low, high = interval(value)
    assert (low[0], high[0]) == (4.0, 95.0)


@pytest.mark.parametrize(
    ("count", "outside"),
    [(1, 0), (2, 0), (20, 0), (21, 1), (40, 1), (41, 2), (60, 2), (140, 6)],
)
def test_interval_by_hand(count: int, outside: int) -> None:
    """HAND: the last place before a twentieth; 140 x 0.05 is a hair above 7 in floats."""
    low, high = interval(np.arange(float(count))[::-1, None])
    assert (low[0], high[0]) == (outside, count - 1 - outside)


@given(st.integers(0, 10_000), st.integers(1, 300))
def test_interval_never_leaves_more_than_its_tails(seed: int, count: int) -> None:
    value = np.random.default_rng(seed).normal(size=(count, 3)).round(1)
    low, high = interval(value)
    assert np.all(20 * (value < low).sum(axis=0) <= count)
    assert np.all(20 * (value > high).sum(axis=0) <= count)
    assert np.all(low <= high)


@given(st.integers(0, 10_000), st.integers(1, 100))
def test_interval_of_the_mirror_image_is_the_mirror_image(seed: int, count: int) -> None:
    value = np.random.default_rng(seed).normal(size=(count, 3))
    low, high = interval(value)
    mirrored_low, mirrored_high = interval(-value)
    np.testing.assert_array_equal((mirrored_low, mirrored_high), (-high, -low))


@given(st.integers(0, 10_000), st.sampled_from([np.float32, np.float64]))
def test_order_of_samples_does_not_matter(seed: int, kind: type) -> None:
    rng = np.random.default_rng(seed)
    value = (rng.normal(size=(30, 2, 4)) * 10.0 ** rng.integers(-3, 6, (1, 2, 4))).astype(kind)
    before, order = value.copy(), rng.permutation(30)
    for a, b in zip(interval(value), interval(value[order]), strict=True):
        np.testing.assert_array_equal(a, b)
    np.testing.assert_allclose(mean(value), mean(value[order]), rtol=1e-9, atol=1e-6)
    np.testing.assert_array_equal(value, before)


@given(st.integers(1, 400), st.data())
def test_odds_are_exact(count: int, data: st.DataObject) -> None:
    """j of J samples are odds of j / J: the very double that a setting of that share is."""
    hits = data.draw(st.integers(0, count))
    event = np.zeros((count, 1), dtype=bool)
    event[:hits] = True
    assert odds(event)[0] == float(Fraction(hits, count))


@pytest.mark.parametrize(
    ("count", "hits", "limit"), [(40, 36, 0.9), (40, 30, 0.75), (60, 54, 0.9)]
)
def test_odds_that_stand_at_a_limit_reach_it(count: int, hits: int, limit: float) -> None:
    """No slack is needed: 36 of 40 are 0.9, 35 are not."""
    event = (np.arange(count) < hits)[:, None]
    assert odds(event)[0] >= limit
    assert not odds(event & (np.arange(count) < hits - 1)[:, None])[0] >= limit


def test_mean_of_single_precision_is_summed_in_double() -> None:
    value = np.full((1000, 1), 0.1, dtype=np.float32)
    assert mean(value)[0] == pytest.approx(float(np.float32(0.1)), rel=1e-12)


def test_interval_holds_the_mean_of_a_skewed_spread() -> None:
    """HAND: 0 in 39 samples, 4,000 in one: a mean of 100 above the high bound of 0."""
    value = np.array([0.0] * 39 + [4000.0])[:, None]
    middle, low, high = with_mean(value)
    assert (middle[0], low[0], high[0]) == (100.0, 0.0, 100.0)


def test_interval_of_numbers_of_either_sign_and_zero() -> None:
    value = np.array([0.0, -5.0, 3.0, -1e-30, 0.0])[:, None]
    low, high = interval(value)
    assert (low[0], high[0]) == (-5.0, 3.0)


@pytest.mark.parametrize("samples", [1, 2, 10, 48, 64, 112])
def test_quantiles_are_those_of_numpy(samples):
    """REFERENCE: `np.quantile` of NumPy, to the last digit."""
    value = np.random.default_rng(samples).random((3, 7, samples)).astype(np.float32)
    shares = (0.05, 0.5, 0.95)
    assert np.array_equal(quantiles(value, shares), np.quantile(value, shares, axis=-1))
