"""Pulses that show the peak and do not run together."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rightsize.evidence.field.logger import (
    CONTACT_HZ,
    GPM_PER_FPS_IN2,
    STEP_SHARE,
    doubtful_below_gpm,
    logger_setting,
)


@given(st.floats(0.1, 2000), st.floats(0.1, 5000))
def test_both_ends_do_what_they_promise(peak: float, highest: float) -> None:
    found = logger_setting(decides_gpm=peak, highest_gpm=highest)
    step_gpm = found.largest_pulse_gal * 60 / found.sample_s  # one pulse more in a sample
    assert step_gpm == pytest.approx(STEP_SHARE * peak)
    assert highest / 60 / found.smallest_pulse_gal == pytest.approx(CONTACT_HZ)
    assert found.has_room == (found.smallest_pulse_gal <= found.largest_pulse_gal)


def test_velocity_in_a_pipe() -> None:
    # ANALYTIC: area of a circle of one inch in square feet, times 1,728/231 gal and 60 s
    by_hand = math.pi / 4 / 144 * 1728 / 231 * 60
    assert pytest.approx(by_hand, rel=1e-3) == GPM_PER_FPS_IN2
    assert doubtful_below_gpm(4) == pytest.approx(16 * by_hand * 0.1, rel=1e-3)


@pytest.mark.parametrize(("peak", "highest"), [(0, 10), (10, 0), (math.nan, 10)])
def test_flows_that_are_none_are_refused(peak, highest) -> None:
    with pytest.raises(ValueError, match="flows must be above 0"):
        logger_setting(decides_gpm=peak, highest_gpm=highest)
