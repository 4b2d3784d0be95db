"""Visits and crews of a chosen campaign."""

from __future__ import annotations

from datetime import date

import numpy as np

from rightsize.campaign.choose_campaign import choose_campaign
from rightsize.campaign.crews import crews_of
from rightsize.campaign.visits import reason_of, visits_of
from tests.unit.campaign.plain_options import limits, options

MONDAY = date(2026, 4, 6)


def test_a_visit_holds_what_was_chosen():
    held = options([900.0], area=["east"], days=14.0, kind="flow_logging", weeks=3)
    held.is_in_season[:, 2:] = False
    found = choose_campaign(held, limits(week_count=3))
    reason = reason_of("flow_logging", 0.4, "smaller_meter")
    (visit,) = visits_of(found, MONDAY, {("A0", "MA0", "flow_logging"): reason})
    assert (visit.account_id, visit.meter_id, visit.area) == ("A0", "MA0", "east")
    assert (visit.logger_count, visit.duration_days, visit.crew) == (1, 14.0, 1)
    assert visit.net_usd == visit.expected_gain_usd - visit.cost_usd == 800.0
    assert visit.week_start_on in (date(2026, 4, 6), date(2026, 4, 13))
    assert "0.40 of another decision" in visit.reason
    assert "a smaller meter" in visit.reason


def test_crews_part_the_areas_and_none_works_more_than_its_week():
    """HAND: 4 sites of 2 h in each of two areas, and a way of 1 h: 9 h a crew of 10."""
    held = options([900.0] * 8, area=["east"] * 4 + ["west"] * 4, weeks=1, kind="peak_register",
                   days=0.0)  # fmt: skip
    least = limits(crew_count=2, crew_hours_per_week=10.0, area_trip_hours=1.0, week_count=1)
    every, week = np.arange(8), np.zeros(8, dtype=np.int64)
    crew = crews_of(held, least, every, week)
    assert crew.tolist() == [1] * 4 + [2] * 4


def test_one_area_too_large_for_a_crew_is_parted():
    held = options([900.0] * 6, area=["east"] * 6, weeks=1, kind="peak_register", days=0.0)
    least = limits(crew_count=2, crew_hours_per_week=8.0, area_trip_hours=1.0, week_count=1)
    crew = crews_of(held, least, np.arange(6), np.zeros(6, dtype=np.int64))
    assert np.bincount(crew, minlength=3).tolist() == [0, 3, 3]


def test_what_the_solver_chooses_fits_into_the_crews_weeks():
    rng = np.random.default_rng(5)
    held = options(rng.uniform(300, 900, 40).tolist(), area=list("abcd" * 10))
    least = limits(logger_count=20, crew_count=3, crew_hours_per_week=12.0, area_trip_hours=1.0)
    plan = choose_campaign(held, least)
    chosen, week = plan.plan.option, plan.plan.week
    crew = crews_of(plan.options, least, chosen, week)
    for w in range(2):
        for c in (1, 2, 3):
            mine = (week == w) & (crew == c)
            ways = len(set(plan.options.area[chosen[mine]]))
            hours = plan.options.visit_hours[chosen[mine]].sum() + ways * 1.0
            assert hours <= 12.0 + 1e-9
