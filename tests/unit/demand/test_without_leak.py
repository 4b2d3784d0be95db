"""The year without a leak, held against the year of a twin that never leaked.

PLANTED: hourly reads of an account; the leaking one has a steady flow added from a day on.
Monthly sums of both are made plainly from the reads.
"""

from __future__ import annotations

import datetime as dt
import itertools

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rightsize.demand.bands import band_of
from rightsize.demand.without_leak import bands_without_leak, leak_share, stat_without_leak

HOURS = 24
STARTS = [dt.date(2025, m, 1) for m in range(1, 13)] + [dt.date(2026, 1, 1)]
LEAK_GPM = 0.8
ROUNDING = 1e-9


def uses(seed: int = 3) -> np.ndarray:
    """A year of hourly flow [gpm]: nothing at night, uses by day."""
    rng = np.random.default_rng(seed)
    hour = np.arange(365 * HOURS) % HOURS
    busy = (hour >= 7) & (hour < 20) & (rng.random(hour.size) < 0.7)
    return np.where(busy, rng.gamma(0.8, 2.0, hour.size), 0.0)


def months_of(flow: np.ndarray, from_on: dt.date, leak_gpm: float) -> pl.DataFrame:
    rows = []
    for start, end in itertools.pairwise(STARTS):
        a, b = ((d - STARTS[0]).days * HOURS for d in (start, end))
        part = flow[a:b]
        rows.append(
            {
                "meter_id": "M",
                "month": start,
                "interval_min": 60.0,
                "is_main": True,
                "weight": 1.0,
                "leak_gpm": leak_gpm,
                "leak_from_on": from_on,
                "year_gal": flow.sum() * 60,
                "shape_gal": part.sum() * 60,
                "days_covered": len(part) / HOURS,
                "shape_count": len(part),
                "within_ss": part.var() * len(part),
                **{f"lag{k}_ss": part.var() * len(part) / 3 for k in (1, 2, 3)},
                **{f"lag{k}_count": len(part) - k for k in (1, 2, 3)},
                "slot_ss": len(part) * part.mean() ** 2,
                "day_ss": part.reshape(-1, HOURS).mean(axis=1).var() * len(part) / HOURS,
                "day_count": len(part) // HOURS,
                "max_interval_gpm": part.max(),
                "max_hour_gpm": part.max(),
                "max_day_gpm": part.reshape(-1, HOURS).mean(axis=1).max(),
                "peak_register_gpm": None,
            }
        )
    frame = pl.DataFrame(rows, schema_overrides={"peak_register_gpm": pl.Float64})
    return frame.with_columns(leak_share=leak_share(pl.col("month"), pl.col("leak_from_on")))


def bands_of(flow: np.ndarray, from_on: dt.date, leak_gpm: float) -> pl.DataFrame:
    day = np.arange(flow.size) // HOURS
    month = np.array([(STARTS[0] + dt.timedelta(days=int(d))).replace(day=1) for d in day])
    frame = pl.DataFrame(
        {
            "meter_id": "M",
            "kind": "interval",
            "month": month.tolist(),
            "band": band_of(flow).astype(np.int16),
            "gal": flow * 60,
        }
    )
    return (
        frame.group_by("meter_id", "kind", "month", "band")
        .agg(window_count=pl.len().cast(pl.Float64), volume_gal=pl.col("gal").sum())
        .with_columns(interval_min=60.0, leak_gpm=leak_gpm, leak_from_on=from_on)
        .with_columns(leak_share=leak_share(pl.col("month"), pl.col("leak_from_on")))
        .sort("month", "band")
    )


def leaking(flow: np.ndarray, from_on: dt.date, leak_gpm: float = LEAK_GPM) -> np.ndarray:
    at = np.arange(flow.size) >= (from_on - STARTS[0]).days * HOURS
    return flow + np.where(at, leak_gpm, 0.0)


@pytest.mark.parametrize(
    ("from_on", "share"),
    [
        (dt.date(2025, 5, 31), 1.0),
        (dt.date(2025, 6, 1), 1.0),
        (dt.date(2025, 6, 16), 0.5),
        (dt.date(2025, 7, 1), 0.0),
    ],
)
def test_the_share_of_a_month_that_a_leak_runs(from_on: dt.date, share: float) -> None:
    # HAND: June has 30 days
    june = pl.DataFrame({"m": [dt.date(2025, 6, 1)], "on": [from_on]})
    assert june.select(leak_share(pl.col("m"), pl.col("on"))).item() == pytest.approx(share)


@pytest.mark.parametrize("from_on", [dt.date(2025, 6, 1), dt.date(2025, 9, 1)])
def test_sums_and_maxima_are_those_of_the_twin(from_on: dt.date) -> None:
    """HAND: a constant adds nothing to a deviation, its rate to every maximum."""
    twin, leaky = uses(), leaking(uses(), from_on)
    got = stat_without_leak(months_of(leaky, from_on, LEAK_GPM)).row(0, named=True)
    want = months_of(twin, from_on, LEAK_GPM)
    assert got["registered_gal"] == pytest.approx(twin.sum() * 60)
    days = (STARTS[-1] - from_on).days
    assert got["leak_gal"] == pytest.approx(LEAK_GPM * 1440 * days)
    for name in ("within_ss", "lag2_ss", "slot_ss", "day_ss"):
        assert got[name] == pytest.approx(want[name].sum(), rel=1e-6), name
    top = twin.max()
    assert top - ROUNDING <= got["max_interval_gpm"] <= top + ROUNDING


def test_a_month_that_holds_the_begin_keeps_its_largest_read_and_loses_the_step() -> None:
    """The largest read may lie before the leak: it is not lowered. The safe side."""
    from_on = dt.date(2025, 6, 16)
    twin = uses()
    june = slice(151 * HOURS, 181 * HOURS)  # HAND: June's first day is the 151st
    twin[june][300] = 40.0
    got = stat_without_leak(months_of(leaking(twin, from_on), from_on, LEAK_GPM))
    assert got["max_interval_gpm"][0] == pytest.approx(40.0)
    want = months_of(twin, from_on, LEAK_GPM)
    step = LEAK_GPM**2 / 4 * 720  # HAND: half of 720 hours, variance of a step in the middle
    leaky = months_of(leaking(twin, from_on), from_on, LEAK_GPM)["within_ss"].sum()
    assert leaky - want["within_ss"].sum() > 0.5 * step
    assert abs(got["within_ss"][0] - want["within_ss"].sum()) < 0.3 * step


def shares(bands: pl.DataFrame) -> np.ndarray:
    out = np.zeros(151)
    total = bands.group_by("band").agg(pl.col("window_count").sum())
    out[total["band"].to_numpy() + 1] = total["window_count"].to_numpy()
    return out / out.sum()


@pytest.mark.parametrize("from_on", [dt.date(2025, 3, 10), dt.date(2025, 9, 1)])
def test_the_histogram_is_that_of_the_twin(from_on: dt.date) -> None:
    """Largest distance of the two cumulated shares; with the leak it is near the rest's."""
    twin = uses()
    leaky = bands_of(leaking(twin, from_on), from_on, LEAK_GPM)
    want = shares(bands_of(twin, from_on, LEAK_GPM))

    def distance(bands: pl.DataFrame) -> float:
        return float(np.abs(np.cumsum(shares(bands) - want)).max())

    assert distance(leaky) > 0.15
    assert distance(bands_without_leak(leaky)) < 0.02


def test_a_leak_since_before_the_year_leaves_only_what_exceeds_it() -> None:
    from_on = dt.date(2024, 12, 1)
    leaky = bands_of(leaking(uses(), from_on), from_on, LEAK_GPM)
    rested = shares(bands_without_leak(leaky))[0]
    # HAND: reads up to the band that holds 1.12 of the leak, and a band is 12 % wide
    assert np.mean(uses() <= 0.12 * LEAK_GPM) <= rested
    assert rested <= np.mean(uses() <= 0.26 * LEAK_GPM)


@settings(max_examples=25, deadline=None)
@given(
    leak_gpm=st.floats(0.1, 5.0),
    day=st.integers(1, 330),
    seed=st.integers(0, 99),
)
def test_windows_stay_as_many_and_no_volume_is_negative(
    leak_gpm: float, day: int, seed: int
) -> None:
    from_on = STARTS[0] + dt.timedelta(days=day)
    flow = leaking(uses(seed), from_on, leak_gpm)
    bands = bands_of(flow, from_on, leak_gpm)
    got = bands_without_leak(bands)
    assert got["window_count"].sum() == pytest.approx(bands["window_count"].sum())
    assert got["volume_gal"].min() >= 0
    assert got["volume_gal"].sum() <= bands["volume_gal"].sum() * 1.1
    stat = stat_without_leak(months_of(flow, from_on, leak_gpm)).row(0, named=True)
    assert 0 <= stat["registered_gal"] <= flow.sum() * 60
    assert all(stat[n] >= 0 for n in ("within_ss", "slot_ss", "day_ss", "max_interval_gpm"))
