"""When and why a meter is due for a test."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.configuration.load_catalogue import load_service_rules
from rightsize.contracts.testing.test_program import DUE_BY, TEST_OUTCOMES
from rightsize.errors import CatalogueError
from rightsize.meter_tests.due import REASONS, due_frame, value_of_test_usd
from rightsize.meter_tests.outcome import OUTCOMES

START = dt.date(2026, 1, 1)
SOUND = {
    "as_of": START, "installed_on": dt.date(2021, 1, 1), "last_tested_on": None,
    "interval_years": 10.0, "hours_per_year": 100.0, "limit_hours": 5000.0,
    "oldest_years": 20.0, "middle_gain_usd": 10.0, "act_cost_usd": 500.0,
    "test_cost_usd": 80.0, "action": "keep",
}  # fmt: skip
SCHEMA = {"last_tested_on": pl.Date, "installed_on": pl.Date, "limit_hours": pl.Float64}


def due(*, within_months: float = 12, **change: object) -> dict[str, object]:
    frame = pl.DataFrame([{**SOUND, **change}], schema_overrides=SCHEMA)
    return due_frame(frame, within_months=within_months).row(0, named=True)


@pytest.mark.parametrize(
    ("change", "due_by"),
    [
        ({}, ""),
        ({"interval_years": 6.1}, ""),
        ({"interval_years": 5.9}, "rule"),
        ({"interval_years": 5.9, "last_tested_on": dt.date(2024, 1, 1)}, ""),
        ({"interval_years": 2.9, "last_tested_on": dt.date(2024, 1, 1)}, "rule"),
        ({"limit_hours": 601.0}, ""),
        ({"limit_hours": 599.0}, "throughput"),
        ({"limit_hours": None}, ""),
        ({"oldest_years": 6.1}, ""),
        ({"oldest_years": 5.9}, "age"),
        ({"middle_gain_usd": 600.0}, "money"),
        ({"middle_gain_usd": 600.0, "action": "change"}, ""),
        ({"middle_gain_usd": 600.0, "test_cost_usd": 300.0}, ""),
        ({"interval_years": 1.0, "oldest_years": 1.0}, "rule age"),
        ({"installed_on": None, "interval_years": 1.0, "oldest_years": 1.0}, ""),
    ],
)
def test_each_reason_both_ways(change, due_by) -> None:
    found = due(**change)
    assert found["due_by"] == due_by
    assert found["is_due"] == bool(due_by)


def test_the_months_of_the_program_count() -> None:
    assert due(interval_years=5.5, within_months=0)["due_by"] == ""
    assert due(interval_years=5.5, within_months=12)["due_by"] == "rule"


def test_a_meter_without_dates_says_so() -> None:
    found = due(installed_on=None)
    assert found["is_date_known"] is False
    assert found["due_on"] is None


# HAND: 4 years of 365.25 days after 2021-01-01 is 2025-01-01.
def test_the_day_a_test_is_due() -> None:
    assert due(interval_years=4.0)["due_on"] == dt.date(2025, 1, 1)


@given(st.floats(0, 5000), st.floats(1, 5000))
def test_the_value_of_a_test_is_the_mean_of_what_acting_wins(gain: float, cost: float) -> None:
    """ANALYTIC: numeric mean of max(f gain - cost, 0) over f from 0 to 2, all alike likely."""
    factor = (np.arange(20_000) + 0.5) / 10_000
    mean = np.maximum(factor * gain - cost, 0).mean()
    found = value_of_test_usd(np.array([gain]), np.array([cost]))[0]
    assert found == pytest.approx(mean, abs=2e-4 * max(gain, 1))


# STANDARD READ: 16 NYCRR 500.1(b)(1) and 52 Pa. Code 65.8(b); MEM-M: AWWA M6.
@pytest.mark.parametrize(
    ("name", "size", "years"),
    [("new_york", 0.75, 15), ("new_york", 1, 5), ("new_york", 2, 4), ("new_york", 3, 3),
     ("new_york", 4, 2), ("new_york", 6, 1), ("new_york", 10, 1),
     ("pennsylvania", 1, 20), ("pennsylvania", 1.5, 8), ("pennsylvania", 8, 8),
     ("common_practice", 0.5, 10), ("common_practice", 0.75, 8), ("common_practice", 8, 1)],
)  # fmt: skip
def test_intervals_of_authorities(name, size, years) -> None:
    assert load_service_rules().schedule(name).years(size) == years


def test_an_unknown_schedule_names_those_held() -> None:
    with pytest.raises(CatalogueError, match="allowed: common_practice, new_york"):
        load_service_rules().schedule("atlantis")


def test_the_codes_of_the_published_tables_are_those_that_the_program_says():
    assert tuple(REASONS) == DUE_BY
    assert tuple(OUTCOMES) == TEST_OUTCOMES
