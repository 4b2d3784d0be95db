"""A slow meter falls against its class; a season, a swing or a small class is no finding."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest
from scipy.stats import linregress

from rightsize.demand.slow_meter import (
    FEWEST_ALIKE,
    FEWEST_MONTHS,
    LEAST_FALL_SHARE,
    LEAST_STEADINESS,
    slow_meter_findings,
)

MONTHS = [dt.date(2025, month, 1) for month in range(1, 13)]


def fleet(flows: dict[str, np.ndarray]) -> pl.DataFrame:
    return pl.concat(
        pl.DataFrame(
            {
                "account_id": f"A-{name}",
                "meter_id": name,
                "customer_class": "office",
                "month": MONTHS,
                "flow_gpm": flow,
            }
        )
        for name, flow in flows.items()
    )


def steady(seed: int) -> np.ndarray:
    season = 3 + np.cos(np.arange(12) * 2 * np.pi / 12)
    return season * np.exp(np.random.default_rng(seed).normal(0, 0.03, 12))


ALIKE = {f"M{k}": steady(k) for k in range(9)}


def test_a_meter_that_loses_three_percent_a_month_is_found() -> None:
    slow = steady(99) * 0.97 ** np.arange(12)
    found = slow_meter_findings(fleet({**ALIKE, "SLOW": slow}))
    assert found["meter_id"].to_list() == ["SLOW"]
    share = float(found["evidence"].str.json_path_match("$.fall_share")[0])
    assert abs(share - (1 - 0.97**12)) < 0.1  # PLANTED: 31 % a year, under 3 % noise a month


def test_the_season_of_a_class_is_no_fall() -> None:
    falling_season = {f"M{k}": steady(k) * 0.95 ** np.arange(12) for k in range(9)}
    assert slow_meter_findings(fleet(falling_season)).is_empty()


def test_a_swing_is_no_steady_fall() -> None:
    swinging = steady(5) * np.where(np.arange(12) % 2, 0.5, 1.4)
    assert slow_meter_findings(fleet({**ALIKE, "SWINGS": swinging})).is_empty()


def test_a_class_too_small_to_tell_the_season_tells_nothing() -> None:
    slow = steady(99) * 0.9 ** np.arange(12)
    assert slow_meter_findings(fleet({"M1": steady(1), "SLOW": slow})).is_empty()


FLAT = {f"F{k}": np.full(12, 3.0) for k in range(9)}


def falling(kept_share_a_year: float) -> np.ndarray:
    return 3.0 * kept_share_a_year ** (np.arange(12) / 12)


def found_among(flows: dict[str, np.ndarray]) -> list[str]:
    return slow_meter_findings(fleet(flows))["meter_id"].to_list()


def test_a_fall_is_told_from_a_fifth_a_year_on() -> None:
    """Limit: LEAST_FALL_SHARE, 0.2 a year (our convention)."""
    assert LEAST_FALL_SHARE == 0.2
    assert found_among({**FLAT, "SLOW": falling(0.799)}) == ["SLOW"]
    assert found_among({**FLAT, "SLOW": falling(0.801)}) == []
    assert found_among({**FLAT, "FAST": falling(1.25)}) == []


def test_a_fall_needs_nine_months() -> None:
    """Limit: FEWEST_MONTHS, 9 (our convention)."""
    assert FEWEST_MONTHS == 9
    whole = fleet({**FLAT, "SLOW": falling(0.5)})
    for months, is_found in ((9, True), (8, False)):
        late = (pl.col("meter_id") == "SLOW") & (pl.col("month") > MONTHS[months - 1])
        assert slow_meter_findings(whole.filter(~late)).is_empty() != is_found


def test_a_class_needs_five_accounts() -> None:
    """Limit: FEWEST_ALIKE, 5 with the meter itself (our convention)."""
    assert FEWEST_ALIKE == 5
    slow = {"SLOW": falling(0.5)}
    assert found_among({**dict(list(FLAT.items())[:4]), **slow}) == ["SLOW"]
    assert found_among({**dict(list(FLAT.items())[:3]), **slow}) == []


@pytest.mark.parametrize("swing", np.linspace(0.0, 0.6, 25))
def test_a_fall_is_steady_by_the_t_value_of_its_line(swing: float) -> None:
    """Limit: LEAST_STEADINESS, 4 standard errors (our convention); the oracle is SciPy."""
    assert LEAST_STEADINESS == 4.0
    flow = falling(0.6) * np.exp(np.where(np.arange(12) % 2, swing, -swing))
    line = linregress(np.arange(12), np.log(flow))
    is_steady = -line.slope >= 4.0 * line.stderr
    is_fall = 1 - np.exp(12 * line.slope) >= 0.2
    assert (found_among({**FLAT, "SLOW": flow}) == ["SLOW"]) == (is_steady and is_fall)


def test_the_swings_above_lie_on_both_sides_of_the_limit() -> None:
    assert found_among({**FLAT, "SLOW": falling(0.6)}) == ["SLOW"]
    rough = falling(0.6) * np.exp(np.where(np.arange(12) % 2, 0.6, -0.6))
    assert found_among({**FLAT, "SLOW": rough}) == []
