"""What the months have in common is the register's step (PLANTED steps)."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rightsize.demand.register_step import common_step
from rightsize.units import GAL_PER_UNIT

STEPS = st.sampled_from([0.01, 0.1, 1.0, 10.0, 100.0, GAL_PER_UNIT["ft3"], GAL_PER_UNIT["m3"]])


def test_months_of_one_volume_each_show_the_step_together() -> None:
    assert common_step([586.0, 1639.0, 2341.0, 2692.0, 2459.0, 1639.0, 468.0]) == 1.0
    assert common_step([500.0, 1400.0, 2000.0, 100.0, 2100.0, 1400.0, 400.0]) == 100.0


def test_one_odd_month_of_a_year_does_not_matter() -> None:
    assert common_step([10.0] * 11 + [0.3]) == 10.0


def test_no_month_shows_no_step() -> None:
    assert common_step([]) is None


@given(planted=STEPS, counts=st.lists(st.integers(1, 3000), min_size=1, max_size=13))
def test_the_step_is_the_months_greatest_common_one_or_more(
    planted: float, counts: list[int]
) -> None:
    """Law: never below the greatest common step, and a whole multiple of it."""
    found = common_step([planted * c for c in counts])
    least = planted * math.gcd(*counts)
    assert found is not None
    assert found >= least * (1 - 1e-3)
    assert found / least == pytest.approx(round(found / least), abs=0.01 * found / least)


@given(planted=STEPS, counts=st.lists(st.integers(1, 30), min_size=1, max_size=4))
def test_few_small_counts_show_their_common_step(planted: float, counts: list[int]) -> None:
    least = planted * math.gcd(*counts)
    assert common_step([planted * c for c in counts]) == pytest.approx(least, rel=1e-2) or (
        len(counts) == 4  # three of four months decide
    )
