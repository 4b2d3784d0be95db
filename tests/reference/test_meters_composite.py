"""Weighted error and volume lost, against worked examples."""

from __future__ import annotations

import numpy as np
import pytest

from rightsize.meters.composite import (
    unregistered_gal,
    weighted_error_pct,
)

# STANDARD READ: *Water Loss Control*, 2nd ed., Table 12.8, p. 186, from AWWA M36 3rd ed.:
# large meters, registered volume by flow class [Mgal], mean registration, printed error [Mgal]
SALES_MGAL = 939.2
SHARE = np.array([0.10, 0.65, 0.25])
REGISTRATION = np.array([0.900, 0.9654, 1.010])
PRINTED_MGAL = np.array([10.43, 21.86, -2.32])
PRINTED_TOTAL_MGAL = 29.97
ROUNDING_MGAL = 0.03  # what the printed table's rounding adds up to


def test_the_large_meter_example_of_m36() -> None:
    lost = unregistered_gal(SALES_MGAL * SHARE, REGISTRATION)
    assert lost == pytest.approx(PRINTED_MGAL, abs=ROUNDING_MGAL)
    assert lost.sum() == pytest.approx(PRINTED_TOTAL_MGAL, abs=ROUNDING_MGAL)
    # CALC: unrounded
    assert lost.sum() == pytest.approx(29.990, abs=1e-3)
    assert 100 * lost.sum() / SALES_MGAL == pytest.approx(3.193, abs=1e-3)


def test_over_registration_subtracts() -> None:
    lost = unregistered_gal(SALES_MGAL * SHARE, REGISTRATION)
    assert lost[2] < 0
    assert lost.sum() < lost[:2].sum()


def test_a_thousand_registered_at_97_pct() -> None:
    # CALC
    assert unregistered_gal(np.array([1000]), np.array([0.97]))[0] == pytest.approx(
        30.928, abs=5e-4
    )


def test_potential_revenue_of_a_slow_meter() -> None:
    # READ method (*Water Loss Control*, Fig. 12.13), CALC: 10,000 at .95 -> 526.32 lost
    lost = unregistered_gal(np.array([10_000]), np.array([0.95]))[0]
    assert 10_000 + lost == pytest.approx(10_526.32, abs=5e-3)
    assert lost == pytest.approx(526.32, abs=5e-3)


def test_weighted_error_of_a_used_domestic_fleet() -> None:
    # STANDARD READ: AQUA 70(2):217, 2021: -3.24 % printed; CALC -3.234
    got = weighted_error_pct(np.array([0.23, 0.68, 0.09]), np.array([-15, -1.8, 16]))
    assert got == pytest.approx(-3.24, abs=0.01)
    assert got == pytest.approx(-3.234, abs=5e-4)


def test_shares_that_do_not_add_up_to_1_are_refused() -> None:
    with pytest.raises(ValueError, match=r"add up to 1; got 0\.9"):
        weighted_error_pct(np.array([0.9]), np.array([1.0]))
