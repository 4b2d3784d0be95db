"""What a leak has cost to date, at the steps of the rate that its volume falls in."""

from __future__ import annotations

import datetime as dt

import polars as pl
import pytest

from pipelines.stages.assess.leak_cost import with_leaks
from pipelines.stages.assess.leak_cut import LeakRule
from rightsize.settings import Tariff, Thresholds

TARIFF = Tariff.model_validate(
    {
        "classes": {
            "default": {
                "tiers": [
                    {"up_to_gal_per_month": 50000, "usd_per_kgal": 5.0},
                    {"usd_per_kgal": 7.0},
                ]
            }
        }
    }
)
FIRST = dt.date(2025, 1, 1)
RULE = LeakRule.of(Thresholds())


def days(leak_gpm: float) -> pl.DataFrame:
    """A year; the leak runs for the last 100 days."""
    least = [0.0] * 265 + [leak_gpm] * 100
    return pl.DataFrame(
        {
            "meter_id": ["M1"] * 365,
            "day_on": [FIRST + dt.timedelta(days=k) for k in range(365)],
            "least_gpm": least,
            "day_gpm": [0.5 + gpm for gpm in least],
        }
    )


def stat(registered_gal: float | None) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "meter_id": ["M1"],
            "customer_class": ["office"],
            "service_kind": [None],
            "registered_gal": [registered_gal],
            "days_covered": [365.0],
        },
        schema_overrides={"service_kind": pl.String, "registered_gal": pl.Float64},
    )


@pytest.mark.parametrize(
    ("registered_gal", "usd"),
    [
        (500_000.0, 720.0),  # HAND: 144,000 gal, all in the first step, at 5 USD
        (1_000_000.0, 1008.0),  # all above 600,000 gal a year, at 7 USD
        (700_000.0, 920.0),  # 100,000 gal at 7 and 44,000 at 5 USD
        (None, 0.0),
    ],
)
def test_a_leak_is_priced_by_the_steps_it_falls_in(
    registered_gal: float | None, usd: float
) -> None:
    [row] = with_leaks(stat(registered_gal), RULE.found(days(1.0)), TARIFF).to_dicts()
    assert row["leak_gal"] == pytest.approx(144_000)  # HAND: 1 gpm x 1440 x 100 days
    assert row["leak_usd"] == pytest.approx(usd)


def test_a_meter_without_one_has_nothing() -> None:
    [row] = with_leaks(stat(5e5), RULE.found(days(0.0)), TARIFF).to_dicts()
    assert row["leak_gpm"] is None
    assert row["leak_usd"] is None
