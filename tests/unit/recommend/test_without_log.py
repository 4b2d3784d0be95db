"""Where no log comes, odds alone decide; and a new meter has to fit as the old one does."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rightsize.recommend.rules.fit_asked import LEAST_FIT, odds_of_fit_asked
from rightsize.recommend.rules.worth_a_visit import odds_asked
from rightsize.settings import Thresholds
from tests.unit.recommend.one_account import TURBINE, decided, lost_by, row, sold

OTHER = sold("displacement", 2.0, 160, 400)
DEAR = sold("displacement", 2.0, 160, 3000)
SIX_OF_TEN = [[190_000.0] * 6 + [1000.0] * 4]
NOT_TO_LOG = {"is_to_log": np.array([False])}
LOGGED = {"is_logged": np.array([True])}


@pytest.mark.parametrize("other", [OTHER, DEAR])
@pytest.mark.parametrize("site", [NOT_TO_LOG, LOGGED])
def test_a_likely_benefit_is_enough_where_no_log_comes(other: Any, site: Any) -> None:
    """HAND: 6 of 10 samples bring 930 USD a year; 0.65 or 0.85 are asked, without a log 0.5."""
    waits = row(decided([other], SIX_OF_TEN))
    assert waits["action"] in ("keep", "log_first")
    assert row(decided([other], SIX_OF_TEN, **site))["action"] == "change"
    sure = {"odds_without_log": 0.7, "odds_of_benefit": 0.75}
    assert row(decided([other], SIX_OF_TEN, limits=sure, **site))["action"] == "keep"


def test_a_site_that_the_campaign_visits_is_decided_as_before() -> None:
    visited = decided([DEAR], SIX_OF_TEN, is_to_log=np.array([True]))
    assert row(visited) == row(decided([DEAR], SIX_OF_TEN))


def test_a_benefit_less_likely_than_not_changes_nothing() -> None:
    four = [[190_000.0] * 4 + [1000.0] * 6]
    assert row(decided([OTHER], four, **NOT_TO_LOG))["action"] == "keep"


@given(
    cost=st.floats(0, 1e5),
    benefit=st.floats(0.5, 1),
    costly=st.floats(0.5, 1),
    without=st.floats(0.5, 1),
)
def test_no_log_never_asks_for_more(
    cost: float, benefit: float, costly: float, without: float
) -> None:
    limits = Thresholds(
        odds_of_benefit=benefit, odds_of_costly_benefit=costly, odds_without_log=without
    )
    both = odds_asked(np.full((2, 1), cost), np.array([True, False]), limits)[:, 0]
    assert both[1] == min(both[0], without)
    assert both[0] >= benefit


def peaks(over: int) -> np.ndarray:
    """Ten samples of a peak, so many of them above 190 gpm and the rest below 160."""
    return np.array([[200.0]] * over + [[100.0]] * (10 - over))


def test_a_meter_that_carries_more_is_not_refused_beside_one_that_stays() -> None:
    """HAND: 190 gpm are overrun in 3 of 10 samples, 195 as well, 160 too; 0.85 are asked."""
    more, less = sold("compound", 2.0, 195, 400), sold("compound", 1.5, 90, 400)
    gains = [[190_000.0] * 10] * 2
    found = decided([more, less], gains, peak_gpm=peaks(3))
    assert row(found)["recommended_size_in"] == 2.0
    assert row(found)["odds_of_fit"] == pytest.approx(0.7)
    assert "peak_over_smoc" in lost_by(found, 2)  # overrun in every sample


def test_beside_an_overrun_meter_a_new_one_must_fit() -> None:
    more = sold("compound", 2.0, 195, 400)
    found = row(decided([more], [[190_000.0] * 10], peak_gpm=peaks(10)))
    assert found["verdict"] == "undersized"
    assert found["recommended_size_in"] == TURBINE.size_in


@given(held=st.floats(0, 1), odds=st.floats(0.5, 1), is_undersized=st.booleans())
def test_the_odds_of_fit_asked_lie_between_even_and_those_set(
    held: float, odds: float, is_undersized: bool
) -> None:
    asked = odds_of_fit_asked(np.array([held]), np.array([is_undersized]), odds)[0]
    assert min(LEAST_FIT, odds) <= asked <= odds
    if is_undersized or held >= odds:
        assert asked == odds
    elif held >= LEAST_FIT:
        assert asked == held
