"""In which weeks a site can be logged."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from rightsize.campaign.season import first_monday, months_to_log, weeks_in_season

JULY = 6
FLAT = np.full((1, 12), 100.0)
SUMMER = np.where(np.isin(np.arange(12), [5, 6, 7]), 1000.0, 50.0)[None, :]
SCHOOL = np.where(np.isin(np.arange(12), [6, 7]), 10.0, 100.0)[None, :]
YES, NO = np.array([True]), np.array([False])


def test_irrigation_is_not_logged_in_january_but_at_its_peak():
    months = months_to_log(SUMMER, YES, season_share=0.6)[0]
    assert np.flatnonzero(months).tolist() == [5, 6, 7]


def test_a_school_is_not_logged_in_its_holidays():
    months = months_to_log(SCHOOL, NO, season_share=0.6)[0]
    assert months.sum() == 10
    assert not months[JULY]


def test_steady_use_is_logged_at_any_time():
    assert months_to_log(FLAT, NO, season_share=0.6).all()


def test_months_without_reads_are_open_but_for_irrigation():
    blank = np.full((1, 12), np.nan)
    assert months_to_log(blank, NO, season_share=0.6).all()
    usual = months_to_log(blank, YES, season_share=0.6)[0]
    assert np.flatnonzero(usual).tolist() == [4, 5, 6, 7, 8]


@pytest.mark.parametrize(
    ("share", "is_open"), [(0.5, True), (0.51, False)]
)  # HAND: 50 against a mean of 100
def test_the_share_of_the_mean_month_is_a_limit(share, is_open):
    flow = np.array([[150.0, 50.0, *[100.0] * 10]])
    assert months_to_log(flow, NO, season_share=share)[0, 1] == is_open


@pytest.mark.parametrize(
    ("day", "monday"),
    [("2026-04-01", "2026-04-06"), ("2026-04-06", "2026-04-06"), ("2026-04-12", "2026-04-13")],
)
def test_it_begins_on_the_next_monday(day, monday):
    assert first_monday(date.fromisoformat(day)) == date.fromisoformat(monday)


def test_a_log_of_two_weeks_ends_in_season_and_within_the_campaign():
    """HAND: weeks of 2026-07-20, -27, 08-03, -10: June and July are in season."""
    months = np.isin(np.arange(12), [5, 6])[None, :]
    days = np.array([14.0])
    may = weeks_in_season(months, date(2026, 7, 13), weeks=4, days=days)
    assert may[0].tolist() == [True, False, False, False]  # 07-20 + 14 days ends on 08-02
    whole = weeks_in_season(np.ones((1, 12), bool), date(2026, 7, 13), weeks=4, days=days)
    assert whole[0].tolist() == [True, True, True, False]
