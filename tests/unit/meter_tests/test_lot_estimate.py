"""What a sample says of its lot: exact coverage, published limits, finite lots."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from rightsize.meter_tests.lot_estimate import (
    bad_share_interval,
    mean_interval,
    process_share_interval,
)


# STANDARD MEM-H: exact 95 % limits of a proportion in common tables (Clopper and Pearson).
@pytest.mark.parametrize(
    ("bad", "count", "low", "high"),
    [(0, 10, 0.0, 0.3085), (1, 10, 0.0025, 0.4450), (5, 10, 0.1871, 0.8129),
     (0, 20, 0.0, 0.1684), (2, 50, 0.0049, 0.1371)],
)  # fmt: skip
def test_published_limits_of_a_proportion(bad, count, low, high) -> None:
    found = process_share_interval(bad, count, covered=0.95)
    assert found == pytest.approx((low, high), abs=6e-5)


def test_scipy_says_the_same() -> None:
    for bad in range(14):
        ours = process_share_interval(bad, 13)
        theirs = stats.binomtest(bad, 13).proportion_ci(0.9, method="exact")
        assert ours == pytest.approx((theirs.low, theirs.high), abs=1e-9)


@pytest.mark.parametrize(("lot", "count"), [(20, 5), (40, 13), (60, 8)])
def test_the_interval_of_a_lot_covers_at_least_as_often_as_it_says(lot, count) -> None:
    """ANALYTIC: every possible lot, every possible sample of it, with its probability."""
    found = {bad: bad_share_interval(bad, count, lot_count=lot) for bad in range(count + 1)}
    for held in range(lot + 1):
        bads = [
            bad
            for bad, (low, high) in found.items()
            if low - 1e-12 <= held / lot <= high + 1e-12
        ]
        covered = stats.hypergeom.pmf(bads, lot, held, count).sum()
        assert covered >= 0.9 - 1e-9


@settings(max_examples=60)
@given(st.integers(2, 5000), st.data())
def test_a_finite_lot_is_never_less_sure_than_an_endless_supply(lot, data) -> None:
    count = data.draw(st.integers(1, min(lot, 80)))
    bad = data.draw(st.integers(0, count))
    low, high = bad_share_interval(bad, count, lot_count=lot)
    loose_low, loose_high = process_share_interval(bad, count)
    assert 0 <= low <= bad / count + 1e-9 or low * lot == bad
    assert low >= loose_low - 1 / lot - 1e-9
    assert high <= loose_high + 1 / lot + 1e-9


def test_a_lot_tested_whole_is_known() -> None:
    assert bad_share_interval(3, 12, lot_count=12) == (0.25, 0.25)
    assert mean_interval([0.9, 1.0], lot_count=2) == (0.95, 0.95, 0.95)


# HAND: values 0.96, 0.98, 1.00 of a lot of 12: mean 0.98, s 0.02, standard error
# 0.02/sqrt(3) x sqrt(1 - 3/12) = 0.0100; Student's t at 0.95 with 2 degrees is 2.920.
def test_a_mean_by_hand() -> None:
    mean, low, high = mean_interval([0.96, 0.98, 1.00], lot_count=12)
    assert mean == pytest.approx(0.98)
    assert (low, high) == pytest.approx((0.98 - 0.0292, 0.98 + 0.0292), abs=1e-4)


def test_one_value_has_no_interval() -> None:
    mean, low, high = mean_interval([0.97], lot_count=50)
    assert mean == 0.97
    assert math.isnan(low)
    assert math.isnan(high)


def test_means_of_planted_lots_are_covered() -> None:
    """PLANTED: 400 random samples of 13 out of a lot of 60; 90 % cover, within 4.7 points
    (three standard errors)."""
    rng = np.random.default_rng(7)
    lot = rng.normal(0.97, 0.02, 60)
    hits = 0
    for _ in range(400):
        _, low, high = mean_interval(rng.choice(lot, 13, replace=False), lot_count=60)
        hits += low <= lot.mean() <= high
    assert abs(hits / 400 - 0.9) < 0.047


@pytest.mark.parametrize(("bad", "count", "lot"), [(4, 3, 10), (1, 11, 10), (0, 0, 10)])
def test_counts_that_cannot_be_are_refused(bad, count, lot) -> None:
    with pytest.raises(ValueError, match="counts must rise"):
        bad_share_interval(bad, count, lot_count=lot)
