"""Suites judge the batches: what they met is kept, and a failure warns or stops."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from pipelines.configuration.load_settings import read_model
from pipelines.stages.validate.validate import (
    Expectation,
    Suites,
    judge,
    outcome_text,
    validate,
)
from pipelines.store.resources import config_path, sql_text
from tests.pipelines.exports import HEADER, Utility, hourly


@pytest.fixture(scope="module")
def landed(tmp_path_factory: pytest.TempPathFactory) -> Utility:
    utility = Utility(tmp_path_factory.mktemp("validate"), {})
    utility.write("a.csv", HEADER + hourly("M1", "2025-06-01", [10] * 24))
    utility.write(
        "b.csv", HEADER + hourly("M1", "2025-07-01", [74.8] * 23) + "M1,nonsense,1,A\n" * 5
    )
    return utility


def test_outcomes_are_judged_kept_and_stop_only_when_asked(landed: Utility) -> None:
    summary = landed.land()
    verdict = validate(landed.loaded, landed.workspace, summary)
    missed = {(o.batch.rsplit("/", 1)[-1], o.metric) for o in verdict.failed}
    assert missed == {
        ("b.csv", "rejected_share"),  # 5 of 28
        ("2025-07", "volume_against_month_before"),  # a factor of 7.48: a unit
    }
    assert not verdict.must_stop
    kept = landed.ledger("from ledger.validation_result")
    assert len(kept) == len(verdict.outcomes)
    assert {k["metric"] for k in kept if not k["is_met"] and k["severity"] == "failure"} == {
        "rejected_share",
        "volume_against_month_before",
    }
    landed.more = {"failed_suite": "stop"}
    assert validate(landed.loaded, landed.workspace, summary).must_stop


def test_nothing_landed_is_nothing_judged(landed: Utility) -> None:
    summary = landed.land()
    assert summary.files == ()
    assert validate(landed.loaded, landed.workspace, summary).outcomes == ()


def test_an_unknown_metric_is_not_judged() -> None:
    wanted = [Expectation(metric="ratio", min=1, max=2, severity="failure", meaning="-")]
    frame = pd.DataFrame({"batch": ["a", "b", "c"], "ratio": [None, 1.5, 3.0]})
    outcomes = judge("s", frame, wanted)
    assert [(o.batch, o.is_met) for o in outcomes] == [("b", True), ("c", False)]
    nothing = pd.DataFrame({"batch": ["a"], "ratio": [None]})
    assert judge("s", nothing, wanted) == []


def test_every_metric_of_the_suites_is_made_by_their_statement() -> None:
    suites = read_model(config_path("expectations.yaml"), Suites).suites
    for suite, relation in (("landed_file", "file_metric"), ("landed_month", "month_metric")):
        statement = sql_text(f"20_validate/{relation}")
        for wanted in suites[suite]:
            assert f" {wanted.metric}" in statement


def test_a_late_correction_and_a_stray_stamp_are_no_alarm(tmp_path: Path) -> None:
    """What a healthy head-end sends: daily files, a late read, a correction."""
    utility = Utility(tmp_path, {})
    meters = ("M1", "M2", "M3", "M4")
    for day in ("2025-06-01", "2025-06-02", "2025-06-03"):
        utility.write(
            f"reads-{day}.csv",
            HEADER
            + "".join(hourly(m, day, [5] * 23) for m in meters)
            + ("M1,2025-05-01 04:00,5,A\n" if day.endswith("2") else ""),
        )
    utility.write("reads-2025-06-03-correction.csv", HEADER + "M1,2025-06-01 04:00,7,C\n")
    utility.export["quality_codes"] = {"C": "edited"}
    verdict = validate(utility.loaded, utility.workspace, utility.land())
    missed = [(o.batch, o.metric, o.observed) for o in (*verdict.failed, *verdict.warned)]
    assert missed == []


def test_a_file_that_lost_its_meters_or_hours_is_an_alarm(tmp_path: Path) -> None:
    utility = Utility(tmp_path, {})
    meters = [f"M{k}" for k in range(1, 5)]
    first = "".join(hourly(m, "2025-06-01", [5] * 23) for m in meters)
    utility.write("reads-1.csv", HEADER + first)
    utility.write("reads-2.csv", HEADER + hourly("M1", "2025-06-02", [5] * 23))
    utility.write(
        "reads-3.csv",
        HEADER
        + hourly("M1", "2025-06-03", [5] * 23)
        + "".join(f"{m},2025-06-03 01:00,5,A\n" for m in meters[1:]),
    )
    verdict = validate(utility.loaded, utility.workspace, utility.land())
    missed = {(o.batch.rsplit("/", 1)[-1], o.metric) for o in verdict.warned}
    assert ("reads-2.csv", "meters_against_file_before") in missed
    assert ("reads-3.csv", "coverage_share") in missed
    assert not [m for m in missed if m[0] == "reads-1.csv"]


def test_the_page_opens_offline_and_escapes_what_files_are_called(tmp_path: Path) -> None:
    utility = Utility(tmp_path, {}, more={"utility": "Test & <Water>"})
    utility.write(
        "<b>bold.csv", HEADER + hourly("M1", "2025-06-01", [5] * 3) + "M1,never,1,A\n"
    )
    validate(utility.loaded, utility.workspace, utility.land())
    page = (utility.workspace.root / "validation.html").read_text(encoding="utf-8")
    assert "Test &amp; &lt;Water&gt;" in page
    assert "<b>bold" not in page
    assert "&lt;b&gt;bold.csv" in page
    assert "rejected share" in page
    assert not any(word in page for word in ("http:", "https:", "<script", "src=", "@import"))


def test_what_was_not_met_is_said_without_powers_of_ten() -> None:
    frame = pd.DataFrame({"batch": ["b"], "ratio": [12345678.0]})
    wanted = [Expectation(metric="ratio", max=2e6, severity="warning", meaning="too much")]
    [outcome] = judge("s", frame, wanted)
    assert outcome_text(outcome) == (
        "b: ratio is 12345678, expected at most 2000000 (too much)"
    )
