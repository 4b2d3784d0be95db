"""What change-outs teach about the repair of leaks is used by the same sweep, and said."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipelines.configuration.load_settings import load
from pipelines.stages.assess.assess import assess_bucket
from pipelines.sweep import resume
from pipelines.sweep import stages as sweep_stages
from pipelines.sweep.sweep import run_sweep
from rightsize.settings import Thresholds
from rightsize.verify.leaks.leak_repair import learned_leak_repair
from tests.pipelines.small_utility import quick_utility
from tests.pipelines.stages.publish.synthetic_sweep import make_sweep

SEEN = pl.DataFrame(
    {
        "steady_new_gpm": [0.5] * 10,
        "steady_left_3_months_share": [1.0] * 5 + [0.0] * 5,
        "steady_left_12_months_share": [None] * 10,
        "steady_left_36_months_share": [None] * 10,
    },
    schema_overrides={f"steady_left_{n}_months_share": pl.Float64 for n in (3, 12, 36)},
)


@pytest.fixture
def judged_by(monkeypatch: pytest.MonkeyPatch) -> list[Thresholds]:
    """The thresholds that buckets are assessed by, where change-outs are those of `SEEN`."""
    used: list[Thresholds] = []

    def counted(workspace, task, settings, *rest):
        used.append(settings.thresholds)
        return assess_bucket(workspace, task, settings, *rest)

    monkeypatch.setattr(sweep_stages, "assess_bucket", counted)
    monkeypatch.setattr(
        sweep_stages, "learned_leak_repair", lambda _, told: learned_leak_repair(SEEN, told)
    )
    return used


@pytest.mark.parametrize(("is_on", "share"), [(True, 0.62), (False, 0.8)])
def test_a_sweep_judges_by_the_learned_share_if_it_may(
    tmp_path: Path,
    judged_by: list[Thresholds],
    is_on: bool,
    share: float,
):
    config = quick_utility(tmp_path / "utility")
    limits = config.parent / "thresholds.yaml"
    limits.write_text(f"{limits.read_text()}\nlearn_leak_repair: {str(is_on).lower()}\n")
    outcome = run_sweep(load(config), workers=1)
    used = {t.leak_runs_after_3_months_share for t in judged_by}
    assert list(used) == [pytest.approx(share, abs=0.001)]
    assert outcome.published is not None
    with duckdb.connect(str(outcome.workspace.results), read_only=True) as held:
        found = held.sql("from sweep_document where document = 'leak_repair'").fetchall()
    assert len(found) == is_on


def test_what_is_learned_is_an_input_of_a_sweep(tmp_path: Path):
    """A stopped sweep's blocks are not used again once more was learned."""
    record = make_sweep(tmp_path).record
    told = Thresholds().model_dump()
    keys = {
        resume.inputs_key(replace(record, documents={**record.documents, **more}))
        for more in (
            {},
            {"leak_repair": learned_leak_repair(SEEN, told).document},
            {"leak_repair": learned_leak_repair(SEEN.head(8), told).document},
        )
    }
    assert len(keys) == 3
