"""What a site page says of meter tests."""

from __future__ import annotations

import datetime as dt

from rightsize.evidence.outcomes.meter_test import meter_test_lines
from rightsize.evidence.quantity import Units

OUTCOME = {
    "outcome": "repair", "reason": "90.0 % at 8 gpm, below 95.0 %; the error costs $300 a year",
    "test_age_years": 9.5,
}  # fmt: skip
DUE = {
    "due_by": "rule money", "due_on": dt.date(2026, 3, 1), "last_tested_on": None,
    "place": "bench", "test_cost_usd": 80.0, "draw_order": None,
}  # fmt: skip


def said(outcome=None, due=None):
    return meter_test_lines(outcome, due, Units("us"))


def test_nothing_is_said_of_a_meter_that_is_neither_tested_nor_due():
    assert said() == []
    assert said(due=DUE | {"due_by": ""}) == []


def test_the_outcome_comes_with_its_reason_and_day():
    [line] = said(OUTCOME)
    assert line.startswith("Tested at an age of 9.5 years: repair the meter. 90.0 % at 8 gpm")
    assert line.endswith("$300 a year.")
    on = DUE | {"due_by": "", "last_tested_on": dt.date(2025, 12, 31)}
    assert said(OUTCOME, on)[0].startswith("Tested 2025-12-31: ")


def test_a_meter_that_is_due_says_every_reason_and_the_day():
    [line] = said(due=DUE)
    assert "on the bench, by 2026-03-01" in line
    assert "the time between tests is over; a test is worth more than it costs" in line
    assert "$80" in line


def test_a_meter_that_is_only_drawn_says_so():
    [line] = said(due=DUE | {"due_by": "", "draw_order": 3})
    assert "Drawn at random" in line
