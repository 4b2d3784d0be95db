"""Every reason for no verdict, both ways: at its limit the account is assessed, beyond it not.

Limits are those of `config/thresholds.yaml`; each test names where its limit comes from.
"""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rightsize.demand.sufficiency import not_assessed_reason
from rightsize.findings import NOT_ASSESSED_CODES
from rightsize.settings import Thresholds

LIMITS = Thresholds()
SOUND: dict[str, Any] = {
    "service_kind": "domestic", "meter_type": "turbine", "size_in": 3.0, "meter_index": 4,
    "meter_status": "rated", "meter_refusal": None, "days_covered": 365.0,
    "read_count": 8760.0, "estimated_count": 0.0, "reads_used": 8760.0, "zero_count": 0.0,
    "registered_gal": 1e6, "resolution_gal": 1.0, "has_estimate": True,
    "leak_cut_gpm": None, "leak_cut_gal": 0.0,
}  # fmt: skip
SCHEMA = {name: pl.Float64 for name, value in SOUND.items() if isinstance(value, float)} | {
    "service_kind": pl.String,
    "meter_type": pl.String,
    "meter_index": pl.Int64,
    "meter_status": pl.String,
    "meter_refusal": pl.String,
    "leak_cut_gpm": pl.Float64,
}


def reason(units: str = "us", **changes: Any) -> tuple[str | None, str | None]:
    """Code and message of a sound account, changed so."""
    row = not_assessed_reason(
        pl.DataFrame([{**SOUND, **changes}], schema_overrides=SCHEMA),
        min_days_covered=LIMITS.min_days_covered,
        max_estimated_share=LIMITS.max_estimated_share,
        max_zero_share=LIMITS.max_zero_share,
        min_reads_per_step=LIMITS.min_reads_per_step,
        units=units,  # type: ignore[arg-type]
    ).to_dicts()[0]
    return row["not_assessed_code"], row["not_assessed_message"]


def test_a_sound_account_is_assessed() -> None:
    assert reason() == (None, None)


@pytest.mark.parametrize(
    "changes",
    [
        {"service_kind": "fire"},
        {"service_kind": "combined"},
        {"meter_type": "fire_service"},
        {"service_kind": None, "meter_type": "fire_service"},
    ],
)
def test_fire_and_combined_services_are_never_assessed(changes: dict[str, Any]) -> None:
    """Limit: none; never resized from consumption data (common practice: AWWA M22 sizes fire
    lines by the fire flow asked for, from memory)."""
    code, message = reason(**changes)
    assert code == "fire_service"
    assert "never resized from consumption data; consult the fire authority" in str(message)
    assert reason(**changes, days_covered=1.0)[0] == "fire_service"


@pytest.mark.parametrize("kind", ["domestic", "irrigation", None])
def test_other_services_are_no_fire_service(kind: str | None) -> None:
    assert reason(service_kind=kind)[0] is None


def test_an_unrated_meter_is_told_from_one_that_is_not_in_the_catalogue() -> None:
    unrated = {"meter_index": None, "meter_status": "unrated", "meter_refusal": "no ratings"}
    assert reason(**unrated) == ("meter_not_rated", "no ratings")
    code, message = reason(meter_index=None, meter_status="unknown")
    assert code == "meter_not_in_catalogue"
    assert "a turbine of this size is not in the catalog" in str(message)
    assert reason(meter_status="unrated")[0] is None  # it has a row all the same


def test_no_reads_is_the_reason_of_a_silent_meter() -> None:
    """Limit: any accepted read (common practice)."""
    reads = (
        "days_covered",
        "read_count",
        "estimated_count",
        "reads_used",
        "zero_count",
        "registered_gal",
    )
    assert reason(**dict.fromkeys(reads))[0] == "no_reads"
    assert reason(**dict.fromkeys(reads, 0.0))[0] == "no_reads"


def test_days_of_reads() -> None:
    """Limit: min_days_covered, 90 (our convention)."""
    assert LIMITS.min_days_covered == 90
    assert reason(days_covered=90.0)[0] is None
    code, message = reason(days_covered=89.96)
    assert code == "too_few_days"
    assert "39.4 days of reads; 90 required" in reason(days_covered=39.4)
    assert str(message) == "89.9 days of reads; 90 required"  # never rounded up to the limit


def test_share_of_estimates() -> None:
    """Limit: max_estimated_share, 0.4 (our convention)."""
    assert LIMITS.max_estimated_share == 0.4
    assert reason(estimated_count=3504.0)[0] is None  # 0.4 of 8,760
    code, message = reason(estimated_count=3505.0)
    assert code == "many_estimates"
    assert "at most 40 %" in str(message)


def test_a_meter_that_registers_next_to_nothing() -> None:
    """Limit: max_zero_share, 0.999 (our convention)."""
    assert LIMITS.max_zero_share == 0.999
    assert reason(read_count=10000.0, reads_used=10000.0, zero_count=9990.0)[0] is None
    assert (
        reason(read_count=10000.0, reads_used=10000.0, zero_count=9991.0)[0]
        == "no_registration"
    )
    assert reason(registered_gal=0.0) == (
        "no_registration",
        "registered 0 gal in the trailing 12 months",
    )
    assert reason(registered_gal=-5.0)[0] == "no_registration"
    assert reason(registered_gal=365 * 0.2)[0] is None


def test_an_account_that_is_nearly_all_leak_is_told_so() -> None:
    """Limits: as of `no_registration` and `resolution_too_coarse`, once a leak is left out."""
    leak = {"leak_cut_gpm": 0.25, "leak_cut_gal": 54000.0}
    code, message = reason(registered_gal=0.0, **leak)
    assert code == "nearly_all_leak"
    assert "0.25 gpm" in str(message)
    assert "54,000 gal" in str(message)
    assert "possible leak" in str(message)
    few = {"days_covered": 100.0, "resolution_gal": 100.0}
    assert reason(registered_gal=1999.0, **few, **leak)[0] == "nearly_all_leak"
    assert reason(registered_gal=1999.0, **few)[0] == "resolution_too_coarse"
    assert reason(registered_gal=2000.0, **few, **leak)[0] is None
    assert reason(registered_gal=0.0)[0] == "no_registration"


def test_resolution_against_use() -> None:
    """Limit: min_reads_per_step, 0.2 steps of the register a day (our convention)."""
    assert LIMITS.min_reads_per_step == 0.2
    assert reason(days_covered=100.0, registered_gal=2000.0, resolution_gal=100.0)[0] is None
    code, message = reason(days_covered=100.0, registered_gal=1999.0, resolution_gal=100.0)
    assert code == "resolution_too_coarse"
    assert str(message) == "register resolution is 100 gal: 0.2 steps per day"
    metric = reason("metric", days_covered=100.0, registered_gal=1.0, resolution_gal=264.172)
    assert "resolution is 1 m³" in str(metric[1])


def test_no_usable_estimate() -> None:
    """Limit: none; a posterior that is not a number says nothing (by definition)."""
    assert reason(has_estimate=False) == (
        "no_estimate",
        "8,760 reads from 365 days gave no usable flow estimate",
    )


def test_an_account_whose_reads_shape_nothing_is_not_said_to_register_nothing() -> None:
    """Every read an edit or a gap: volume is known, flow is not."""
    code, message = reason(reads_used=0.0, zero_count=0.0, registered_gal=5e5)
    assert code == "no_estimate"
    assert "0 reads from 365 days" in str(message)


amount = st.one_of(st.none(), st.floats(0, 1e7))
reads = st.one_of(st.none(), st.integers(0, 600_000).map(float))


@given(
    days=amount,
    read=reads,
    estimated=reads,
    used=reads,
    zero=reads,
    gal=amount,
    step=st.floats(1e-3, 1e6),
)
def test_whatever_the_reads_a_reason_is_of_the_list_and_has_its_sentence(
    days: float | None,
    read: float | None,
    estimated: float | None,
    used: float | None,
    zero: float | None,
    gal: float | None,
    step: float,
) -> None:
    """The law: no combination of statistics leaves a code without a sentence, or fails."""
    code, message = reason(
        days_covered=days,
        read_count=read,
        estimated_count=estimated,
        reads_used=used,
        zero_count=zero,
        registered_gal=gal,
        resolution_gal=step,
    )
    assert (code is None) == (message is None)
    assert code is None or code in NOT_ASSESSED_CODES
    assert "NaN" not in str(message)
    if code is None:
        assert (days or 0) >= 90
        assert (read or 0) > 0


SHARES = st.floats(0, 1)


@given(
    days=st.floats(0, 400),
    counts=st.tuples(st.integers(0, 9000), SHARES, SHARES),
    gal=st.floats(0, 1e6),
    limits=st.tuples(st.floats(0, 365), SHARES, SHARES, st.floats(0, 100)),
    stricter_by=st.tuples(st.floats(0, 100), SHARES, SHARES, st.floats(0, 50)),
)
def test_a_stricter_limit_never_lets_a_refused_account_in(
    days, counts, gal, limits, stricter_by
) -> None:
    """LAW: what passes under stricter limits passes under each looser one."""
    reads, estimated, zero = counts
    account = {
        "days_covered": days, "read_count": float(reads), "reads_used": float(reads),
        "estimated_count": float(int(reads * estimated)),
        "zero_count": float(int(reads * zero)), "registered_gal": gal,
    }  # fmt: skip
    row = pl.DataFrame([{**SOUND, **account}], schema_overrides=SCHEMA)
    names = ("min_days_covered", "max_estimated_share", "max_zero_share", "min_reads_per_step")
    grows = (1, -1, -1, 1)

    def refused(bounds: tuple[float, ...]) -> bool:
        found = not_assessed_reason(row, **dict(zip(names, bounds, strict=True)), units="us")
        return found["not_assessed_code"][0] is not None

    loose = refused(limits)
    strict = refused(
        tuple(a + way * b for a, way, b in zip(limits, grows, stricter_by, strict=True))
    )
    assert strict or not loose
