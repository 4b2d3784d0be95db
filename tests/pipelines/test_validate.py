"""Suites judge the batches: what they met is kept, and a failure warns or stops."""

from __future__ import annotations

import pandas as pd
import pytest

from pipelines.load_settings import read_model
from pipelines.resources import config_path, sql_text
from pipelines.stages.validate import Expectation, Suites, judge, validate
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
