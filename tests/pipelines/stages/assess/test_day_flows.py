"""Leaks told from the days of running meters alone are those told from all days."""

from __future__ import annotations

import datetime as dt
import tempfile
from pathlib import Path

import numpy as np
import polars as pl
import polars.testing
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.stages.assess.day_flows import all_days, days_of_runners
from rightsize.demand.continuous_flow import continuous_flow
from rightsize.settings import Thresholds

WINDOW = int(Thresholds().leak_window_days)
FIRST = dt.date(2024, 1, 1)
DAYS = 150  # five months
HABITS = ("rests", "runs", "leaks", "stopped", "ended", "gaps", "began", "flickers")


def meter(name: str, habit: str, rng: np.random.Generator) -> pl.DataFrame:
    day = np.arange(DAYS)
    least = np.full(DAYS, 0.3) * rng.random(DAYS).round(2)
    keep = np.ones(DAYS, dtype=bool)
    if habit == "rests":
        least[::2] = 0
    if habit == "leaks":
        least = np.where(day >= rng.integers(20, DAYS), 1.0, 0.0) + least / 10
    if habit == "stopped":
        least[rng.integers(0, DAYS) :] = 0
    if habit == "ended":  # its last reads are months old
        keep = day < rng.integers(1, DAYS)
        least += (day > 30) * 0.7
    if habit == "gaps":
        keep = rng.random(DAYS) < rng.random()
        least += (day > 70) * 0.7
    if habit == "began":
        keep = day >= rng.integers(0, DAYS)
    if habit == "flickers":
        least[rng.integers(0, DAYS)] = 0
    frame = pl.DataFrame(
        {
            "meter_id": [name] * DAYS,
            "day_on": [FIRST + dt.timedelta(days=int(k)) for k in day],
            "least_gpm": least.astype(np.float32),
            "day_gpm": (least + rng.random(DAYS)).astype(np.float32),
        }
    )
    return frame.filter(pl.Series(keep))


def written(days: pl.DataFrame, folder: Path) -> list[str]:
    """Day files, one a month, as the profile stage leaves them."""
    files = []
    for month in range(1, 6):
        path = folder / f"2024-{month:02d}.parquet"
        days.filter(pl.col("day_on").dt.month() == month).write_parquet(path)
        files.append(str(path))
    return files


@settings(max_examples=25, deadline=None)
@given(st.lists(st.sampled_from(HABITS), min_size=1, max_size=12), st.integers(0, 2**20))
def test_days_of_running_meters_tell_the_same_leaks(habits: list[str], seed: int) -> None:
    rng = np.random.default_rng(seed)
    names = [f"M{n}" for n in range(len(habits))]
    days = pl.concat([meter(n, h, rng) for n, h in zip(names, habits, strict=True)])
    service = pl.DataFrame({"meter_id": [*names[1:], "WITHOUT-READS"]})  # one was removed
    with tempfile.TemporaryDirectory() as folder:
        files = written(days, Path(folder))
        every = all_days(files, service)
        some = days_of_runners(files, service, window_days=WINDOW)
    told, again = (
        continuous_flow(d, window_days=WINDOW, least_gpm=0.01, least_share=0.01)
        for d in (every, some)
    )
    pl.testing.assert_frame_equal(told, again, check_exact=True)


def test_few_days_are_read_of_meters_at_rest(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    days = pl.concat([meter("RESTS", "rests", rng), meter("LEAKS", "leaks", rng)])
    service = pl.DataFrame({"meter_id": ["RESTS", "LEAKS"]})
    some = days_of_runners(written(days, tmp_path), service, window_days=WINDOW)
    assert some["meter_id"].unique().to_list() == ["LEAKS"]
    assert some.height == DAYS


def test_no_days_no_runners(tmp_path: Path) -> None:
    none = meter("M", "rests", np.random.default_rng(1)).clear()
    service = pl.DataFrame({"meter_id": ["M"]})
    assert days_of_runners(written(none, tmp_path), service, window_days=WINDOW).is_empty()
