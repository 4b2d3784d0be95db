"""Lots of small meters: who belongs to one, what is drawn, what is decided."""

from __future__ import annotations

import datetime as dt

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rightsize.meter_tests.acceptance import Plan
from rightsize.meter_tests.lots import LOT_KEY, age_group, decision, lot_frame, sample_frame

COUNT = 100
SMALL = pl.DataFrame(
    {
        "meter_id": [f"M{k:03}" for k in range(COUNT)],
        "meter_type": "displacement",
        "size_in": [0.625] * 90 + [0.75] * 9 + [1.0],
        "grade": pl.Series([None] * COUNT, dtype=pl.String),
        "age_group": "5 to 10 years",
    }
)


def bench(out: int, good: int) -> pl.DataFrame:
    names = SMALL["meter_id"].head(out + good)
    return pl.DataFrame(
        {
            "meter_id": names,
            "is_out": [True] * out + [False] * good,
            "tested_weighted": [0.9] * out + [0.99] * good,
        },
        schema={"meter_id": pl.String, "is_out": pl.Boolean, "tested_weighted": pl.Float64},
    )


def lots(out: int = 0, good: int = 0) -> pl.DataFrame:
    return lot_frame(SMALL, bench(out, good), aql_pct=4.0, level="II")


def test_lots_are_of_one_type_and_size_and_a_single_meter_is_none() -> None:
    found = lots()
    assert found.select("size_in", "lot_count").rows() == [(0.625, 90), (0.75, 9)]
    # STANDARD READ: Table I, level II: 90 is letter E; Table II-A: 13 meters, at most 1.
    assert found.select("code_letter", "sample_count", "accept_count").row(0) == ("E", 13, 1)


@pytest.mark.parametrize(
    ("out", "good", "said"),
    [(0, 12, "not decided"), (1, 12, "accepted"), (0, 13, "accepted"), (2, 3, "rejected")],
)
def test_a_lot_is_decided(out, good, said) -> None:
    assert lots(out, good)["decision"][0] == said
    assert decision(Plan("E", 13, 1), out + good, out) == said


def test_ranges_hold_what_was_seen_and_meters_not_tested_make_them_wider() -> None:
    few, many = lots(1, 4).row(0, named=True), lots(8, 32).row(0, named=True)
    for row in (few, many):
        assert row["out_low_pct"] <= row["out_pct"] <= row["out_high_pct"]
        assert row["mean_low_pct"] < row["mean_pct"] < row["mean_high_pct"]
    assert few["out_high_pct"] - few["out_low_pct"] > many["out_high_pct"] - many["out_low_pct"]


def test_a_lot_without_tests_has_no_ranges() -> None:
    row = lots().row(0, named=True)
    assert row["out_pct"] is None
    assert row["mean_pct"] is None


def test_what_is_missing_is_drawn_and_a_tested_meter_never() -> None:
    seen = bench(1, 4)
    drawn = sample_frame(SMALL, seen, lots(1, 4), seed="Larkmoor 2026")
    assert drawn.filter(pl.col("size_in") == 0.625).height == 8
    assert not set(drawn["meter_id"]) & set(seen["meter_id"])


def test_a_draw_can_be_repeated_and_another_seed_draws_others() -> None:
    first = sample_frame(SMALL, bench(0, 0), lots(), seed="a")
    again = sample_frame(SMALL.reverse(), bench(0, 0), lots(), seed="a")
    other = sample_frame(SMALL, bench(0, 0), lots(), seed="b")
    assert first.sort("meter_id").equals(again.sort("meter_id"))
    assert set(first["meter_id"]) != set(other["meter_id"])


def test_every_meter_is_drawn_about_as_often() -> None:
    """PLANTED: 300 draws of 13 of 90: each meter 43 times, give or take 25 (four sd)."""
    seen: dict[str, int] = dict.fromkeys(SMALL["meter_id"].head(90), 0)
    plan = lots()
    for k in range(300):
        for name in sample_frame(SMALL, bench(0, 0), plan, seed=str(k))["meter_id"]:
            if name in seen:
                seen[name] += 1
    assert max(abs(n - 300 * 13 / 90) for n in seen.values()) < 25


def test_a_decided_lot_is_not_drawn_from() -> None:
    found = sample_frame(SMALL, bench(2, 3), lots(2, 3), seed="a")
    assert found.filter(pl.col("size_in") == 0.625).is_empty()


@given(st.floats(0, 60))
def test_age_bands_are_left_closed_and_complete(age: float) -> None:
    frame = pl.DataFrame({"age_years": [age], "installed_on": [dt.date(2020, 1, 1)]})
    said = frame.select(age_group("age_band")).item()
    if age >= 20:
        assert said == "20 years and more"
    else:
        low, high = (float(n) for n in said.removesuffix(" years").split(" to "))
        assert low <= age < high


def test_an_age_that_is_not_recorded_is_a_lot_of_its_own() -> None:
    frame = pl.DataFrame(
        {"age_years": [None], "installed_on": [None]},
        schema={"age_years": pl.Float64, "installed_on": pl.Date},
    )
    for by in ("age_band", "install_year"):
        assert frame.select(age_group(by)).item() == "not recorded"
    assert set(LOT_KEY) <= set(SMALL.columns)
