"""The trailing year: no day stands for a month, and none that comes outweighs itself.

Reference of the exact year: the mean of the last 365 days, worked out from the days themselves.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import duckdb
import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.stages.assess.profile_blocks import load_bucket
from pipelines.store.resources import sql_text
from pipelines.store.workspace import Workspace
from tests.pipelines.stages.profile.test_profile_statistics import (
    JANUARY,
    SERVICE,
    hourly,
    put,
    run,
)

DAYS_A_YEAR = 365
LEAP_FEBRUARY = 29 / 28
ROUNDING = 1e-9  # relative; sums of some hundred terms
Days = dict[dt.date, float]


def stat_of(days: Days) -> dict[str, float]:
    """`meter_stat` of one meter whose daily volumes are given."""
    with TemporaryDirectory() as folder, duckdb.connect() as connection:
        files = [_written(Path(folder), month, rows) for month, rows in _by_month(days).items()]
        service = SERVICE.head(1).select("meter_id", is_seasonal=pl.lit(False))
        connection.register("service_frame", service.to_arrow())
        connection.execute(sql_text("40_assess/meter_in_service"))
        connection.execute(sql_text("40_assess/bucket_month"), {"stat_files": files})
        connection.execute(
            sql_text("40_assess/meter_month"), {"window_months": 12, "stopped_after_days": 21}
        )
        connection.execute(sql_text("40_assess/meter_stat"))
        return connection.sql("from meter_stat").pl().row(0, named=True)


def yearly_gal(days: Days) -> float:
    found = stat_of(days)
    return found["registered_gal"] / found["days_covered"] * DAYS_A_YEAR


def _by_month(days: Days) -> Mapping[str, Days]:
    months: dict[str, Days] = {}
    for day, gal in days.items():
        months.setdefault(f"{day:%Y-%m}", {})[day] = gal
    return months


def _written(folder: Path, month: str, rows: Days) -> str:
    """One month's statistics, as `30_profile/month_stat` makes them of daily reads."""
    last = max(rows)
    at = [dt.datetime.combine(d, dt.time(), dt.UTC) for d in (min(rows), last)]
    numbers: dict[str, Any] = {
        "days_covered": float(len(rows)),
        "read_count": len(rows),
        "shape_count": len(rows),
        "registered_gal": sum(rows.values()),
        "elapsed_days": float(last.day),
        "interval_min": 1440.0,
        "first_on": min(rows),
        "last_on": last,
        "first_at": at[0],
        "last_at": at[1],
        "last_use_at": at[1],
    }
    zeros = [
        "estimated_count", "estimated_gal", "backward_gal", "gap_gal", "gap_days", "zero_count",
        "max_interval_gpm", "peak_register_gpm", "max_hour_gpm", "max_day_gpm", "day_ss",
        "day_dof", "day_count", "night_zero_count", "within_ss", "within_dof",
        "within_mean_sum", "lag1_ss", "lag2_ss", "lag3_ss", "lag1_count", "lag2_count",
        "lag3_count", "slot_ss", "slot_step_ss", "step_gal",
    ]  # fmt: skip
    path = folder / f"month={month}" / "month_stat.parquet"
    path.parent.mkdir()
    pl.DataFrame(
        {
            "meter_id": ["M1"],
            **{k: [v] for k, v in numbers.items()},
            **{k: [0.0] for k in zeros},
        }
    ).write_parquet(path)
    return str(path)


def calendar_year(gal: float = 100.0) -> Days:
    start = dt.date(2025, 1, 1)
    return {start + dt.timedelta(days=k): gal for k in range(DAYS_A_YEAR)}


def test_one_day_of_january_does_not_stand_for_january() -> None:
    """HAND: a school at rest on New Year's day loses that day of use, not a month of it."""
    days = {d: 1000.0 if d.month == 1 else 400.0 for d in calendar_year()}
    before = yearly_gal(days)
    after = yearly_gal({**days, dt.date(2026, 1, 1): 0.0})
    assert before == pytest.approx(31 * 1000 + 334 * 400)
    assert after == pytest.approx(before - 1000)


def test_the_elapsed_days_of_a_month_run_to_its_last_read(tmp_path: Path) -> None:
    workspace = Workspace(tmp_path / "workspace")
    workspace.create()
    put(workspace, "2025-01", "a", hourly("M1", JANUARY, np.full(10 * 24 + 12, 60.0)))
    (folder,) = run(workspace).folders
    assert pl.read_parquet(folder / "month_stat.parquet")["elapsed_days"].to_list() == [10.5]
    bucket = load_bucket(workspace, [folder], SERVICE, window_months=12, stopped_after_days=21)
    assert bucket.stat["days_covered"][0] == 10.5


def test_a_few_days_of_a_new_month_count_as_days_where_no_year_lies_behind() -> None:
    start = dt.date(2025, 6, 1)
    days = {start + dt.timedelta(days=k): 100.0 for k in range(30 + 31)}
    days[dt.date(2025, 8, 1)] = 6200.0
    assert yearly_gal(days) == pytest.approx((61 * 100 + 6200) / 62 * DAYS_A_YEAR)


@st.composite
def days_of_use(draw: st.DrawFn) -> Days:
    """Some 20 to 800 days of reads, some of them missing, more used in some seasons."""
    start = dt.date(2024, 1, 1) + dt.timedelta(days=draw(st.integers(0, 200)))
    count = draw(st.integers(20, 800))
    swing, missing = draw(st.floats(0, 1)), draw(st.sampled_from([0.0, 0.05, 0.3]))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    gal = 100 * (1 + swing * np.cos(np.arange(count) / 58.1)) + rng.uniform(1, 50, count)
    kept = rng.random(count) >= missing
    kept[[0, -1]] = True
    return {start + dt.timedelta(days=k): float(gal[k]) for k in np.flatnonzero(kept).tolist()}


@settings(max_examples=60, deadline=None)
@given(days=days_of_use(), gal=st.floats(1, 1e4))
def test_a_day_that_comes_moves_the_year_by_a_day_at_most(days: Days, gal: float) -> None:
    """LAW: the next day takes the place of at most one day, or joins a mean of days.

    At most one day's weight comes into the sum, and as much of the same month a year before
    leaves it, which of a February of 29 days is 29 / 28 of a day. So the year moves by no more
    than the widest span of daily means, taken at so much of the days that count.
    """
    before = stat_of(days)
    year = before["registered_gal"] / before["days_covered"] * DAYS_A_YEAR
    after = stat_of({**days, max(days) + dt.timedelta(days=1): gal})
    moved = after["registered_gal"] / after["days_covered"] * DAYS_A_YEAR - year
    span = max(*days.values(), gal) - min(*days.values(), gal)
    share = DAYS_A_YEAR / min(before["days_covered"], after["days_covered"])
    assert abs(moved) <= span * share * LEAP_FEBRUARY * (1 + ROUNDING) + ROUNDING
    assert abs(after["days_covered"] - before["days_covered"]) <= 1 + ROUNDING


@settings(max_examples=60, deadline=None)
@given(days=days_of_use(), gal=st.floats(1, 1e4), place=st.floats(0, 1))
def test_a_day_that_comes_late_moves_the_year_by_a_day_at_most(
    days: Days, gal: float, place: float
) -> None:
    """LAW: a day filled into a gap counts as a day, wherever it lies."""
    first, last = min(days), max(days)
    gaps = [
        d for k in range((last - first).days) if (d := first + dt.timedelta(days=k)) not in days
    ]
    if not gaps:
        return
    before = stat_of(days)
    after = stat_of({**days, gaps[int(place * (len(gaps) - 1))]: gal})
    year = [s["registered_gal"] / s["days_covered"] * DAYS_A_YEAR for s in (before, after)]
    span = max(*days.values(), gal) - min(*days.values(), gal)
    share = DAYS_A_YEAR / before["days_covered"]
    assert abs(year[1] - year[0]) <= span * share * (1 + ROUNDING) + ROUNDING


@settings(max_examples=40, deadline=None)
@given(days=days_of_use())
def test_no_day_counts_more_than_once_and_a_year_has_no_more_days_than_a_year(
    days: Days,
) -> None:
    found = stat_of(days)
    last = max(days)
    assert found["days_covered"] <= min(len(days), 366) + ROUNDING
    newest = sum(1 for d in days if (d.year, d.month) == (last.year, last.month))
    assert found["days_covered"] >= newest - ROUNDING
