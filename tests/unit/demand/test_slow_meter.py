"""A slow meter falls against its class; a season, a swing or a small class is no finding."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl

from rightsize.demand.slow_meter import slow_meter_findings

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
