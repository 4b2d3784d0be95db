"""Low flow before and after: which months are compared, and volumes a year."""

from __future__ import annotations

import datetime as dt

import polars as pl
import pytest

from rightsize.verify.low_flow import (
    LEAST_MINUTES,
    MINUTES_PER_YEAR,
    case_months,
    with_low_flow,
)

DAY = dt.date


def rows(*jobs):
    """(account, day, kind, code) of change-outs from a meter `old` to `new`."""
    return pl.DataFrame(
        [(a, "old", "same" if a == "S" else "new", d, k, c) for a, d, k, c in jobs],
        schema={
            "account_id": pl.String, "removed_meter_id": pl.String, "meter_id": pl.String,
            "changed_on": pl.Date, "kind": pl.String, "code": pl.String,
        },
        orient="row",
    )  # fmt: skip


LIMITS = pl.DataFrame({"account_id": ["A"], "removed_meter_id": ["old"], "limit_gpm": [2.5]})


FROM, TO = DAY(2024, 1, 1), DAY(2026, 12, 31)


def months(made, side, *, since=FROM, to=TO):
    found = case_months(made, LIMITS, data_from=since, data_to=to)
    return found.filter(pl.col("side") == side)["month"].to_list()


def test_a_year_after_is_held_against_the_same_months_before():
    made = rows(("A", DAY(2025, 3, 12), "type", None))
    assert months(made, "after") == [f"2025-{m:02d}" for m in range(4, 13)] + [
        "2026-01", "2026-02", "2026-03",
    ]  # fmt: skip
    assert months(made, "before") == [f"2024-{m:02d}" for m in range(4, 13)] + [
        "2025-01", "2025-02",
    ]  # fmt: skip


def test_two_months_after_are_held_against_the_year_before():
    made = rows(("A", DAY(2025, 3, 12), "type", None))
    assert months(made, "after", to=DAY(2025, 5, 31)) == ["2025-04", "2025-05"]
    assert len(months(made, "before", to=DAY(2025, 5, 31))) == 12


def test_reads_that_begin_within_the_year_are_held_against_all_months_before():
    """Seven months after the change have no reads a year earlier."""
    made = rows(("A", DAY(2025, 6, 12), "type", None))
    found = months(made, "before", since=DAY(2025, 1, 1), to=DAY(2026, 1, 31))
    assert found[-5:] == [f"2025-{m:02d}" for m in range(1, 6)]


def test_later_work_ends_the_months_after():
    made = rows(("A", DAY(2025, 3, 12), "type", None), ("A", DAY(2025, 7, 2), "repair", None))
    assert months(made, "after") == ["2025-04", "2025-05", "2025-06"]


@pytest.mark.parametrize(
    ("kind", "code"), [("repair", None), ("test", None), ("type", "vacancy")]
)
def test_meters_that_stay_and_cases_set_aside_are_not_compared(kind, code):
    assert case_months(
        rows(("A", DAY(2025, 3, 12), kind, code)), LIMITS, data_from=FROM, data_to=TO
    ).is_empty()


def test_volumes_are_told_by_the_year_and_few_reads_are_not():
    """HAND: 100 gal in the least time that counts."""
    made = rows(("A", DAY(2025, 3, 12), "type", None))
    found = pl.DataFrame(
        {
            "case_number": [0, 0], "side": ["before", "after"], "low_gal": [100.0, 90.0],
            "minutes": [LEAST_MINUTES, LEAST_MINUTES - 1.0],
        },
        schema_overrides={"minutes": pl.Float64},
    )  # fmt: skip
    (row,) = with_low_flow(
        made, case_months(made, LIMITS, data_from=FROM, data_to=TO), found
    ).to_dicts()
    assert row["low_flow_limit_gpm"] == 2.5
    assert row["low_flow_before_gal_per_year"] == pytest.approx(
        100 / LEAST_MINUTES * MINUTES_PER_YEAR
    )
    assert row["low_flow_after_gal_per_year"] is None
