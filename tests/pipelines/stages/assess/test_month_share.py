"""Share of a year's volume by calendar month, from days."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest

from pipelines.stages.assess.month_share import month_volume_share

ROWS = pl.DataFrame({"meter_id": ["B", "A", "C"]})


def days(meter_id: str, count: int, gpm_of_month) -> pl.DataFrame:
    day = [dt.date(2025, 12, 31) - dt.timedelta(days=k) for k in range(count)]
    return pl.DataFrame(
        {"meter_id": meter_id, "day_on": day, "day_gpm": [gpm_of_month(d.month) for d in day]}
    )


def test_shares_follow_the_days_flow_and_the_rows_order():
    frame = pl.concat(
        [days("A", 400, lambda m: 2.0 if m in (7, 8) else 1.0), days("B", 365, lambda m: 1.0)]
    )
    even, summer, none = month_volume_share(frame, ROWS)
    assert even.sum() == pytest.approx(1)
    assert even[6] / even[3] == pytest.approx(31 / 30)
    assert summer[6] / summer[4] == pytest.approx(2.0)  # July against May, 31 days each
    assert none == pytest.approx(np.full(12, 1 / 12))  # a meter without days


@pytest.mark.parametrize(("count", "is_even"), [(330, True), (365, False)])
def test_a_part_year_counts_months_as_even(count, is_even):
    frame = days("A", count, lambda m: float(m))
    share = month_volume_share(frame, pl.DataFrame({"meter_id": ["A"]}))[0]
    assert np.allclose(share, 1 / 12) is is_even


def test_a_meter_without_registration_counts_months_as_even():
    share = month_volume_share(days("A", 365, lambda m: 0.0), pl.DataFrame({"meter_id": ["A"]}))
    assert share[0] == pytest.approx(np.full(12, 1 / 12))
