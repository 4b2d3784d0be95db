"""Logs that come back: landed once, nothing lost, held against the register, found and told."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipelines.store.checksum import State, state_of
from rightsize.findings import LOG_REFUSALS
from tests.pipelines.stages.logs.logged_utility import (
    STEPS_A_DAY,
    Logged,
    logged_utility,
    rows_of,
)


@pytest.fixture(scope="module")
def logged(tmp_path_factory) -> Logged:
    return logged_utility(tmp_path_factory.mktemp("logged"))


@pytest.fixture(scope="module")
def compared(logged):
    """One log of each kind, all at once."""
    good = rows_of(logged.flow["M1"], first_day=5, days=7)
    logged.write("good.csv", good, meter_id="M1")
    logged.write("other.csv", rows_of(logged.flow["M3"], first_day=5, days=7), meter_id="M1")
    values = [row.split(",")[1] for row in good]
    times = [row.split(",")[0] for row in good]
    back = [f"{t},{v}" for t, v in zip(times, values[::-1], strict=True)]
    logged.write("backward.csv", back, meter_id="M1")
    late = [
        f"{t},{v}"
        for t, v in zip(
            [r.split(",")[0] for r in rows_of(logged.flow["M1"], first_day=6, days=7)],
            values,
            strict=True,
        )
    ]
    logged.write("day_late.csv", late, meter_id="M1")
    drifting = rows_of(logged.flow["M1"], first_day=5, days=7, drift_s=400)
    logged.write("drifts.csv", drifting, meter_id="M1")
    logged.write(
        "drift_said.csv",
        rows_of(logged.flow["M3"], first_day=5, days=7, drift_s=400),
        meter_id="M3", drift_s_per_day=400,
    )  # fmt: skip
    logged.write("ten.csv", [_scaled(r, 10) for r in good], meter_id="M1")
    logged.write("cubic_feet.csv", [_scaled(r, 7.4805) for r in good], meter_id="M1")
    logged.write("half.csv", [_scaled(r, 1.3) for r in good], meter_id="M1")
    logged.write("short.csv", good[:2000], meter_id="M1")
    logged.write("gaps.csv", _without(good, every=3), meter_id="M1")
    later = rows_of(logged.flow["M3"], first_day=13, days=7)
    logged.write("few_gaps.csv", _without(later, every=20), account_id="A-3")
    logged.write("before.csv", [r.replace("2025-05", "2024-05") for r in good], meter_id="M1")
    logged.write("stranger.csv", good[:100], meter_id="M99")
    return logged.compare()


def _without(rows: list[str], *, every: int) -> list[str]:
    """The rows, with a blank value in one of so many."""
    return [r if k % every else f"{r.split(',')[0]}," for k, r in enumerate(rows)]


def _scaled(row: str, factor: float) -> str:
    at, value = row.split(",")
    return f"{at},{float(value) * factor:.5f}"


RULES = {
    "good.csv": None,
    "other.csv": "wrong_meter",
    "backward.csv": "clock_reversed",
    "day_late.csv": "clock_shifted",
    "drifts.csv": "clock_drift",
    "drift_said.csv": None,
    "ten.csv": "pulse_size",
    "cubic_feet.csv": "pulse_size",
    "half.csv": "volume_disagrees",
    "short.csv": "too_short",
    "gaps.csv": "gaps",
    "few_gaps.csv": None,
    "before.csv": "outside_reads",
    "stranger.csv": "meter_unknown",
}


@pytest.mark.parametrize("name", RULES)
def test_each_fault_is_found_and_told(compared, name):
    (row,) = compared.rows.filter(pl.col("log_file").str.ends_with(f"/{name}")).to_dicts()
    assert row["rule"] == RULES[name]
    assert row["is_used"] is (RULES[name] is None)
    if RULES[name] is not None:
        assert row["message"].endswith(LOG_REFUSALS[RULES[name]])


def test_every_rule_but_one_has_its_case():
    assert set(LOG_REFUSALS) - set(RULES.values()) == {"other_log_used"}


def test_findings_name_file_meter_and_what_to_do(compared):
    told = compared.findings.filter(pl.col("code") == "flow_log_refused")
    assert set(told["meter_id"]) == {"M1", "M99"}
    (text,) = told.filter(pl.col("meter_id") == "M1")["message"]
    assert "ten.csv: not used: " in text
    assert "10 times the register" in text
    gaps = compared.findings.filter(pl.col("code") == "flow_log_gaps")
    assert gaps["meter_id"].to_list() == ["M3"]


def test_what_is_in_use_is_what_the_truth_is(compared, logged):
    shown = compared.used.shown
    assert set(shown) == {"M1", "M3"}
    assert shown["M1"].steady_gpm == pytest.approx(0.6, rel=0.02)
    true = logged.flow["M1"][5 * STEPS_A_DAY : 12 * STEPS_A_DAY]
    assert shown["M1"].peak_gpm == pytest.approx(true.max(), abs=1e-3)
    assert shown["M3"].day_count == 14  # two logs of one meter are one
    np.testing.assert_allclose(shown["M1"].share.sum(axis=1), 1)


def test_a_log_lands_once_and_a_corrected_file_takes_its_place(logged, compared):
    again = logged.land()
    assert (again.landed, again.known) == (0, len(RULES))
    files = list(logged.utility.workspace.flow_logs.glob("*.parquet"))
    assert len(files) == len(RULES)
    assert {state_of(f) for f in files} == {State.whole}
    before = {f.name for f in files}
    logged.write("ten.csv", rows_of(logged.flow["M1"], first_day=5, days=7)[1:], meter_id="M1")
    assert logged.land().landed == 1
    after = {f.name for f in logged.utility.workspace.flow_logs.glob("*.parquet")}
    assert len(after) == len(RULES)
    assert len(after - before) == 1
