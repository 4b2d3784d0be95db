"""Pass, repair or replace: limits first, then money."""

from __future__ import annotations

import polars as pl
import pytest

from rightsize.meter_tests.outcome import outcome_frame

GOOD = {
    "failures": "", "tested_weighted": 0.98, "new_weighted": 0.985,
    "registered_gal_per_year": 1e6, "usd_per_gal": 0.01, "repair_usd": 400.0,
    "renewal_usd": 2000.0, "life_years": 20.0, "left_years": 10.0, "interval_years": 10.0,
    "is_fire": False, "sweep_meter": None,
}  # fmt: skip
SCHEMA = {"repair_usd": pl.Float64, "renewal_usd": pl.Float64, "sweep_meter": pl.String}
SLOW = {"failures": "96.0 % at 15 gpm, below 98.0 %", "tested_weighted": 0.95}


def outcome(rate_pct: float = 0.0, **change: object) -> dict[str, object]:
    frame = pl.DataFrame([{**GOOD, **change}], schema_overrides=SCHEMA)
    return outcome_frame(frame, discount_rate_pct=rate_pct, recovers_share=0.9).row(
        0, named=True
    )


@pytest.mark.parametrize(
    ("change", "what"),
    [
        ({}, "pass"),
        (SLOW, "repair"),
        ({**SLOW, "repair_usd": 1200.0}, "replace"),
        ({**SLOW, "repair_usd": None}, "replace"),
        ({**SLOW, "sweep_meter": "1 in displacement"}, "replace"),
        ({**SLOW, "registered_gal_per_year": 1.0}, "repair"),  # out of limits may not stay
        ({"tested_weighted": 0.90}, "replace"),  # within limits, and costs 944 USD a year
        ({"tested_weighted": 0.90, "registered_gal_per_year": 1e3}, "pass"),
        ({"tested_weighted": 0.9801, "registered_gal_per_year": 1e9}, "pass"),  # may be noise
        ({"tested_weighted": 0.0}, "repair"),  # stopped
        ({"failures": "103.0 % at 15 gpm, above 102.0 %", "tested_weighted": 1.03}, "repair"),
    ],
)
def test_each_outcome(change, what) -> None:
    assert outcome(**change)["outcome"] == what


# HAND: 1,000,000 gal registered at 0.95 where a new meter has 0.985: 36,842 gal more, at
# 0.01 USD 368.42 USD a year, over 10 years without discount 3,684.20 USD. One repair of 400 USD
# leaves a tenth: 768.42. A new meter of 20 years comes 10 years sooner: half of 2,000.
def test_the_money_by_hand() -> None:
    found = outcome(**SLOW)
    assert found["lost_gal_per_year"] == pytest.approx(36_842.1, abs=0.1)
    assert found["loss_usd_per_year"] == pytest.approx(368.42, abs=0.01)
    assert found["keep_usd"] == pytest.approx(3684.2, abs=0.1)
    assert found["repair_all_usd"] == pytest.approx(768.42, abs=0.01)
    assert found["replace_usd"] == pytest.approx(1000.0)


def test_the_reason_tells_limits_and_money() -> None:
    said = outcome(**SLOW)["reason"]
    assert said == (
        "96.0 % at 15 gpm, below 98.0 %; the error costs $368 a year; repair $400; new meter"
        " $2000"
    )


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (
            {"failures": "x", "tested_weighted": 1.03},
            "customers are billed $437 a year too much",
        ),
        ({"tested_weighted": 0.01}, "its loss cannot be told"),
        ({**SLOW, "registered_gal_per_year": None}, "its volume is not known"),
        ({**SLOW, "is_fire": True}, "approval of the authority having jurisdiction"),
        ({**SLOW, "sweep_meter": "1 in displacement"}, "replace by the 1 in displacement"),
        ({"sweep_meter": "1 in displacement"}, "the sweep recommends the 1 in displacement"),
    ],
)
def test_what_a_crew_must_know_is_said(change, words) -> None:
    assert words in str(outcome(**change)["reason"])


def test_a_passing_fire_meter_has_no_such_words() -> None:
    assert "jurisdiction" not in str(outcome(is_fire=True)["reason"])
