"""The calibration page's figures on small fleets, on every run: fails when one leaves its band.

The bands are the page's floors, widened by what so few accounts vary by chance alone. Large
fleets hold the floors themselves (`tests/benchmarks/fleets/test_calibration.py`); recorded
water has its small fleet in `test_recorded_water.py`.
"""

from __future__ import annotations

import pytest
from scipy.stats import binom

from tests.fleets.calibration import FLOORS, SHARES, cards

SMALL = {
    "simulated": (("simulated", 611),),
    "wrong": (("wrong", 612), ("wrong", 613)),  # eleven changes alone hang on one hospital
}
COLUMN = {"simulated": 1, "wrong": 2}  # of the page's floors
CHANCE = 0.02  # how rarely a method at its floor may fail by bad luck alone
TOTAL_SPREAD = 1.6  # [1] nine of ten totals of so few changes lie within it of what is expected
REALIZED_SLACK_PCT = 25  # so few accounts: a quarter of the benefit may hang on one site


@pytest.fixture(scope="module")
def found():
    return cards(SMALL, per_kind=2, intervals=(60.0,))


@pytest.mark.parametrize("figure", SHARES)
@pytest.mark.parametrize("group", SMALL)
def test_a_share_keeps_its_band(found, group, figure):
    card = found[group][60.0]
    low, high = (end / 100 for end in FLOORS[figure][COLUMN[group]])
    accounts = int(card.accounts)
    least = binom.ppf(CHANCE, accounts, low) / accounts
    most = binom.ppf(1 - CHANCE, accounts, high) / accounts
    assert least <= card.figures[figure] / 100 <= most


@pytest.mark.parametrize("group", SMALL)
def test_the_gain_estimated_is_about_the_gain_that_comes(found, group):
    low, high = FLOORS["promised_over_true"][COLUMN[group]]
    ratio = found[group][60.0].figures["promised_over_true"]
    assert low / TOTAL_SPREAD <= ratio <= high * TOTAL_SPREAD


def test_most_of_the_best_choice_s_benefit_is_realized(found):
    """Of the catalog's meters; behind wrong curves the page's floor is not reached."""
    low, _ = FLOORS["realised_pct"][COLUMN["simulated"]]
    assert found["simulated"][60.0].figures["realised_pct"] >= low - REALIZED_SLACK_PCT
