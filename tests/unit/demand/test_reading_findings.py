"""Every finding on the reads, both ways: at its limit it does not hold, just beyond it does.

Limits are those of `config/thresholds.yaml`; each test names where its limit comes from.
"""

from __future__ import annotations

import datetime as dt
import json
from typing import Any

import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from rightsize.demand.reading_findings import (
    FEWEST_NIGHTS,
    MANY_GAPS_SHARE,
    ZERO_NIGHTS_SHARE,
    reading_findings,
    unknown_meter_findings,
)
from rightsize.findings import FINDING_CODES
from rightsize.settings import Thresholds

LIMITS = Thresholds()
MEAN_GPM = 2.0
SOUND: dict[str, Any] = {
    "account_id": "A-1",
    "meter_id": "M1",
    "customer_class": "office",
    "days_covered": 365.0,
    "span_days": 365.0,
    "read_count": 8760.0,
    "estimated_count": 0.0,
    "registered_gal": MEAN_GPM * 365 * 1440,
    "backward_gal": 0.0,
    "gap_gal": 0.0,
    "night_low_gpm": 0.0,
    "night_zero_count": 365.0,
    "day_count": 365.0,
    "is_stopped": False,
    "last_use_at": dt.datetime(2025, 12, 31, tzinfo=dt.UTC),
    "resolution_gal": 1.0,
    "interval_min": 60.0,
    "leak_from_on": None,
    "leak_gpm": None,
    "leak_gal": None,
    "leak_days": None,
    "leak_before_gpm": None,
    "leak_usd": None,
    "leak_cut_gpm": None,
}
LEAK_FIGURES = ("leak_gpm", "leak_gal", "leak_before_gpm", "leak_usd", "leak_cut_gpm")
FLOATS = tuple(name for name, value in SOUND.items() if isinstance(value, float))


def found(units: str = "us", **changes: Any) -> dict[str, dict[str, Any]]:
    """Findings by code on a sound year of hourly reads, changed so."""
    schema = dict.fromkeys(FLOATS, pl.Float64) | {
        "is_stopped": pl.Boolean,
        "last_use_at": pl.Datetime("us", "UTC"),
        "leak_from_on": pl.Date,
        "leak_days": pl.Int64,
        **dict.fromkeys(LEAK_FIGURES, pl.Float64),
    }
    rows = reading_findings(
        pl.DataFrame([{**SOUND, **changes}], schema_overrides=schema),
        full_year_days=LIMITS.full_year_days,
        low_coverage_share=LIMITS.low_coverage_share,
        many_estimates_share=LIMITS.many_estimates_share,
        leak_night_share=LIMITS.leak_night_share,
        leak_night_share_round_the_clock=LIMITS.leak_night_share_round_the_clock,
        round_the_clock_classes=LIMITS.round_the_clock_classes,
        units=units,  # type: ignore[arg-type]
    ).to_dicts()
    assert all(r["severity"] == FINDING_CODES[r["code"]].severity for r in rows)
    assert all((r["account_id"], r["meter_id"]) == ("A-1", "M1") for r in rows)
    return {r["code"]: r | {"evidence": json.loads(r["evidence"])} for r in rows}


def test_a_sound_year_has_no_finding() -> None:
    assert found() == {}


NO_READS = dict.fromkeys(
    name for name in SOUND if name not in ("account_id", "meter_id", "resolution_gal")
)


def test_no_reads_is_the_only_finding_on_a_silent_meter() -> None:
    """Limit: any accepted read (common practice)."""
    assert set(found(**NO_READS)) == {"no_reads"}
    zeros = dict.fromkeys(("read_count", "estimated_count", "days_covered", "span_days"), 0.0)
    assert set(found(**zeros | {"registered_gal": 0.0})) == {"no_reads"}
    assert "no_reads" not in found(read_count=1.0)


def test_part_year_holds_below_the_days_of_a_full_year() -> None:
    """Limit: full_year_days, 330 (our convention)."""
    assert LIMITS.full_year_days == 330
    assert "part_year" not in found(days_covered=330.0, span_days=330.0)
    said = found(days_covered=329.0, span_days=329.0)
    assert set(said) == {"part_year"}
    assert said["part_year"]["evidence"] == {"days_covered": 329.0}
    assert "329 days" in said["part_year"]["message"]
    assert "part_year" in found(days_covered=1.0, span_days=1.0)
    assert "part_year" not in found(days_covered=0.0)


def test_low_coverage_holds_below_the_share_of_time_with_reads() -> None:
    """Limit: low_coverage_share, 0.9 (our convention)."""
    assert LIMITS.low_coverage_share == 0.9
    assert "low_coverage" not in found(days_covered=360.0, span_days=400.0)
    said = found(days_covered=340.0, span_days=400.0)
    assert set(said) == {"low_coverage"}
    assert said["low_coverage"]["message"] == (
        "reads cover 85 % of the time between the first and the last"
    )
    assert said["low_coverage"]["evidence"] == {"days_covered": 340.0, "span_days": 400.0}
    assert "low_coverage" in found(days_covered=359.9, span_days=400.0)
    assert "low_coverage" not in found(days_covered=1 / 24, span_days=0.0)  # a lone read


def test_many_estimates_holds_above_the_share_of_estimates() -> None:
    """Limit: many_estimates_share, 0.1 (our convention)."""
    assert LIMITS.many_estimates_share == 0.1
    assert "many_estimates" not in found(estimated_count=876.0)
    said = found(estimated_count=877.0)
    assert set(said) == {"many_estimates"}
    assert said["many_estimates"]["evidence"] == {
        "estimated_count": 877.0,
        "read_count": 8760.0,
    }


def test_coarse_resolution_holds_where_a_step_is_more_than_a_mean_interval() -> None:
    """Limit: one step of the register a mean interval (common practice)."""
    a_mean_hour_gal = MEAN_GPM * 60
    assert "coarse_resolution" not in found(resolution_gal=a_mean_hour_gal)
    said = found(resolution_gal=a_mean_hour_gal * 1.001)
    assert set(said) == {"coarse_resolution"}
    assert "120 gal" in said["coarse_resolution"]["message"]
    assert "coarse_resolution" in found(resolution_gal=a_mean_hour_gal, interval_min=15.0)


def test_coarse_resolution_of_a_metric_utility_is_said_in_cubic_metres() -> None:
    said = found(units="metric", resolution_gal=2641.720524)  # 10 m3
    assert "10 m³" in said["coarse_resolution"]["message"]
    assert said["coarse_resolution"]["evidence"]["resolution_gal"] == 2641.720524


def test_a_stopped_meter_is_found_with_its_last_day_of_use() -> None:
    said = found(is_stopped=True, last_use_at=dt.datetime(2025, 9, 3, tzinfo=dt.UTC))
    assert set(said) == {"stopped_meter"}
    assert "since 2025-09-03" in said["stopped_meter"]["message"]
    assert said["stopped_meter"]["evidence"] == {"last_use_on": "2025-09-03"}
    assert "stopped_meter" not in found(is_stopped=None)


LEAK = {"night_zero_count": 0.0, "night_low_gpm": 0.25 * MEAN_GPM}


def test_a_night_flow_that_never_ends_is_a_possible_leak() -> None:
    """Limit: leak_night_share, 0.2 of the mean flow (our convention; that a leak shows as the
    least flow of the night is common practice)."""
    assert LIMITS.leak_night_share == 0.2
    said = found(**LEAK)
    assert set(said) == {"possible_leak"}
    assert "0.5 gpm" in said["possible_leak"]["message"]
    assert "(25 % of average flow): possible leak" in said["possible_leak"]["message"]
    assert said["possible_leak"]["evidence"] == {"night_low_gpm": 0.5, "day_count": 365.0}
    at_limit = {**LEAK, "night_low_gpm": 0.2 * MEAN_GPM}
    assert found(**at_limit) == {}
    assert "possible_leak" in found(**{**LEAK, "night_low_gpm": 0.201 * MEAN_GPM})


BEGAN = {
    "leak_from_on": dt.date(2025, 10, 2),
    "leak_gpm": 0.75,
    "leak_gal": 98_280.0,  # HAND: 0.75 x 1440 x 91
    "leak_days": 91,
    "leak_before_gpm": 0.0,
    "leak_usd": 512.4,
}


def test_a_flow_that_began_is_told_with_begin_rate_volume_and_cost() -> None:
    assert "possible_leak" not in found()
    said = found(**BEGAN)
    assert set(said) == {"possible_leak"}
    assert said["possible_leak"]["message"] == (
        "continuous flow of 0.75 gpm began about 2025-10-02: 98,280 gal registered in 91 days, "
        "$512 at the volumetric rate; before, the least hour of the day was 0 gpm or less: "
        "possible leak or new continuous use"
    )
    assert said["possible_leak"]["evidence"]["leak_on"] == "2025-10-02"
    assert said["possible_leak"]["evidence"]["leak_usd"] == 512.4


def test_a_leak_is_told_once() -> None:
    """Both rules hold: the one that knows the begin speaks."""
    said = found(**LEAK, **BEGAN)
    assert "began about" in said["possible_leak"]["message"]


def test_a_leak_says_whether_it_is_left_out_of_sizing() -> None:
    told = "; left out of the flows that size the meter"
    assert not found(**BEGAN)["possible_leak"]["message"].endswith(told)
    assert found(**BEGAN | {"leak_cut_gpm": 0.8})["possible_leak"]["message"].endswith(told)


def test_night_flow_where_use_runs_day_and_night_is_no_leak_by_itself() -> None:
    """Limit: leak_night_share_round_the_clock, 0.35 of the mean flow (our convention)."""
    for kind in LIMITS.round_the_clock_classes:
        usual = LEAK | {"customer_class": kind, "night_low_gpm": 0.34 * MEAN_GPM}
        assert "possible_leak" not in found(**usual)
        assert "possible_leak" in found(**usual | {"night_low_gpm": 0.36 * MEAN_GPM})
        began = {"leak_from_on": dt.date(2025, 6, 1), "leak_gpm": 0.4, "leak_gal": 1e4}
        began |= {"leak_days": 200, "leak_before_gpm": 0.1, "leak_usd": 50.0}
        assert "possible_leak" in found(**usual | began)
    assert "possible_leak" in found(**LEAK | {"customer_class": None})


def test_a_night_at_rest_now_and_then_is_no_leak() -> None:
    """Limit: one night in a hundred at rest may be a read that was missed (our convention)."""
    assert ZERO_NIGHTS_SHARE == 0.01
    at_limit = LEAK | {"day_count": 300.0, "night_zero_count": 3.0}
    assert found(**at_limit) == {}
    assert "possible_leak" in found(**{**at_limit, "night_zero_count": 2.0})


def test_a_leak_needs_a_month_of_nights() -> None:
    """Limit: 30 nights (our convention): a full pool or a guest is no leak."""
    assert FEWEST_NIGHTS == 30
    assert "possible_leak" in found(**LEAK | {"day_count": 30.0})
    assert "possible_leak" not in found(**LEAK | {"day_count": 29.0})


def test_an_account_without_use_or_night_reads_is_no_leak() -> None:
    assert "possible_leak" not in found(**LEAK | {"registered_gal": 0.0, "night_low_gpm": 0.0})
    assert "possible_leak" not in found(**LEAK | {"night_low_gpm": None})
    assert "possible_leak" not in found(**LEAK | {"night_low_gpm": float("nan")})


def test_any_volume_that_ran_backward_is_found() -> None:
    """Limit: nothing may run backward through a service (common practice: it tells a
    backflow, or a meter set the wrong way round)."""
    assert "reverse_flow" not in found(backward_gal=0.0)
    said = found(backward_gal=-1.0)
    assert set(said) == {"reverse_flow"}
    assert said["reverse_flow"]["message"] == "1 gal ran backward"
    assert said["reverse_flow"]["evidence"] == {"backward_gal": -1.0}
    assert "reverse_flow" not in found(backward_gal=None)


def test_much_volume_of_gaps_is_found() -> None:
    """Limit: a hundredth of the volume, for nearly every meter has a gap (our convention)."""
    limit = MANY_GAPS_SHARE * SOUND["registered_gal"]
    assert "gap_volume" not in found(gap_gal=limit)
    said = found(gap_gal=limit + 1)
    assert set(said) == {"gap_volume"}
    assert said["gap_volume"]["evidence"] == {"gap_gal": limit + 1}
    assert "gap_volume" not in found(gap_gal=None)


def test_a_meter_that_the_list_does_not_hold_is_found_once() -> None:
    read = pl.DataFrame({"meter_id": ["X9"], "read_count": [24], "registered_gal": [1234.0]})
    [row] = unknown_meter_findings(read, units="us").to_dicts()
    assert (row["account_id"], row["meter_id"], row["code"]) == (None, "X9", "unknown_meter")
    assert "24 reads (1,234 gal)" in row["message"]
    assert unknown_meter_findings(read.clear(), units="us").is_empty()


positive = st.floats(0.001, 1e6)


@settings(deadline=None)  # the rules are many; time is no law
@given(days=positive, night_share=st.floats(0, 3), step_share=st.floats(0, 3), scale=positive)
def test_findings_hang_on_ratios_not_on_the_size_of_the_account(
    days: float, night_share: float, step_share: float, scale: float
) -> None:
    """The law: a customer a thousand times as large with the same shape has the same findings.

    Ratios within a rounding error of a limit are left out.
    """
    if min(abs(night_share - LIMITS.leak_night_share), abs(step_share - 1)) < 1e-6:
        return

    def codes(gpm: float) -> set[str]:
        return set(
            found(
                days_covered=days,
                span_days=days,
                registered_gal=gpm * days * 1440,
                night_low_gpm=night_share * gpm,
                night_zero_count=0.0,
                resolution_gal=step_share * gpm * 60,
            )
        )

    assert codes(1.0) == codes(scale)
    assert ("possible_leak" in codes(scale)) == (night_share > LIMITS.leak_night_share)
    assert ("coarse_resolution" in codes(scale)) == (step_share > 1)
