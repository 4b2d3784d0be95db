"""Flow that began and does not stop: begin, rate and volume, both sides of each limit.

Truth is planted: daily least hours and means of a meter with a leak of known begin and rate.
"""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rightsize.demand.continuous_flow import MINUTES_PER_DAY, QUIET_DAYS, continuous_flow
from rightsize.settings import Thresholds

LIMITS = Thresholds()
WINDOW = int(LIMITS.leak_window_days)
FIRST = dt.date(2025, 1, 1)
DAYS = 200
MEAN_GPM = 2.0


def days_of(
    leak_gpm: float, ran_days: int, *, base_gpm: float = 0.0, days: int = DAYS, name: str = "M1"
) -> pl.DataFrame:
    """A meter whose leak has run for the last so many days, over a steady base."""
    is_on = np.arange(days) >= days - ran_days
    least = base_gpm + np.where(is_on, leak_gpm, 0.0)
    return pl.DataFrame(
        {
            "meter_id": [name] * days,
            "day_on": [FIRST + dt.timedelta(days=k) for k in range(days)],
            "least_gpm": least,
            "day_gpm": least + MEAN_GPM,
        }
    )


def found(
    days: pl.DataFrame,
    *,
    least_gpm: float = LIMITS.leak_min_gpm,
    least_share: float = LIMITS.leak_min_share,
) -> list[dict]:
    return continuous_flow(
        days, window_days=WINDOW, least_gpm=least_gpm, least_share=least_share
    ).to_dicts()


def test_a_leak_is_told_with_begin_rate_and_volume() -> None:
    [leak] = found(days_of(0.8, 60))
    assert leak["leak_from_on"] == FIRST + dt.timedelta(days=DAYS - 60)
    assert leak["leak_days"] == 60
    assert leak["leak_gpm"] == pytest.approx(0.8)
    assert leak["leak_gal"] == pytest.approx(0.8 * 60 * 1440)  # HAND
    assert leak["leak_before_gpm"] == 0.0


def test_a_leak_over_steady_use_is_told_at_its_own_rate() -> None:
    [leak] = found(days_of(0.8, 60, base_gpm=3.0))
    assert leak["leak_gpm"] == pytest.approx(0.8)
    assert leak["leak_before_gpm"] == pytest.approx(3.0)


def test_it_is_told_from_the_window_on() -> None:
    """Limit: leak_window_days, 30 (common practice): told within weeks of its begin."""
    assert WINDOW == 30
    assert found(days_of(0.8, WINDOW))
    assert not found(days_of(0.8, WINDOW - 1))


def test_an_hour_of_rest_in_the_window_is_no_leak() -> None:
    rested = days_of(0.8, 60).with_columns(
        least_gpm=pl.when(pl.int_range(pl.len()) == DAYS - 5).then(0.0).otherwise("least_gpm")
    )
    assert not found(rested)


def test_a_rate_below_the_limits_is_not_told() -> None:
    """Limits: leak_min_gpm, 0.1, and leak_min_share, 0.05 (our convention)."""
    assert found(days_of(0.11, 60), least_share=0.0)
    assert not found(days_of(0.09, 60), least_share=0.0)
    mean = days_of(0.5, 60)["day_gpm"].mean()
    assert found(days_of(0.5, 60), least_share=0.49 / mean)
    assert not found(days_of(0.5, 60), least_share=0.51 / mean)


def test_flow_that_never_stopped_has_no_begin() -> None:
    assert not found(days_of(0.8, DAYS))
    assert not found(days_of(0.0, 0, base_gpm=3.0))


def test_a_fortnight_before_and_most_of_the_window_must_have_been_read() -> None:
    assert found(days_of(0.8, WINDOW, days=WINDOW + QUIET_DAYS))
    assert not found(days_of(0.8, WINDOW, days=WINDOW + QUIET_DAYS - 1))
    window = pl.int_range(pl.len()) >= DAYS - WINDOW
    kept = pl.int_range(pl.len()) % 30
    assert found(days_of(0.8, 60).filter(~window | (kept >= 10)))
    assert not found(days_of(0.8, 60).filter(~window | (kept >= 11) & (kept < 29)))


def test_no_days_are_no_leak() -> None:
    assert not found(days_of(0.8, 60).clear())


@settings(max_examples=40, deadline=None)
@given(
    rate=st.floats(0.2, 20), ran=st.integers(WINDOW, 150), base=st.floats(0, 5),
    seed=st.integers(0, 9),
)  # fmt: skip
def test_meters_do_not_touch_each_other_and_volume_is_rate_by_time(
    rate: float, ran: int, base: float, seed: int
) -> None:
    """The law: a meter is told the same alone, in company and in any order of days."""
    own = days_of(rate, ran, base_gpm=base)
    other = days_of(1.0, 45, name="M0")
    together = pl.concat([own, other]).sample(fraction=1.0, shuffle=True, seed=seed)
    alone = found(own)
    assert [r for r in found(together) if r["meter_id"] == "M1"] == alone
    for leak in alone:
        assert leak["leak_gal"] == pytest.approx(
            leak["leak_gpm"] * leak["leak_days"] * MINUTES_PER_DAY
        )
        assert leak["leak_days"] == ran
