"""The loop of meter tests: due, tested, judged in SQL and on pages, and what a sample says."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from pipelines.demo.back.planted_world import world_of
from pipelines.demo.back.tests_of_meters import write_tests
from tests.acceptance.demo_run import Swept, ask, run

pytestmark = pytest.mark.heavy  # a sweep of a demo

BAD = ("slow", "stopped")
NEWEST = "sweep_id = (select max(sweep_id) from results.sweep where utility is not null)"


@pytest.fixture(scope="module")
def back(swept: Swept, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("back") / "town"
    shutil.copytree(swept.folder, folder)
    ended = run("demo", folder, "--tests")
    assert ended.code == 0, ended.text
    lame = [p.meter_id for p in world_of(folder)[1] if p.trouble in BAD]
    assert lame
    write_tests(folder, lame)
    assert run("sweep", folder / "sweep.yaml").code == 0
    return folder


def test_planted_slow_and_stopped_meters_do_not_pass_and_all_others_do(back: Path) -> None:
    """PLANTED: stopped meters register nothing, slow ones lose 3 % a month."""
    trouble = {plan.meter_id: plan.trouble for plan in world_of(back)[1]}
    told = ask(back, f"select meter_id, outcome from results.meter_test_outcome where {NEWEST}")
    assert {o for _, o in told} >= {"pass", "replace"}
    for meter_id, outcome in told:
        assert (outcome != "pass") == (trouble[meter_id] in BAD)


def test_a_lot_is_decided_by_the_meters_that_were_drawn(back: Path) -> None:
    lots = ask(
        back,
        "select lot_count, sample_count, tested_count, out_count, accept_count, decision,"
        f" out_low_pct, out_high_pct from results.meter_test_lot where {NEWEST}",
    )
    whole = [lot for lot in lots if lot[2] >= lot[1]]
    assert whole
    for _, _, tested, out, accept, decision, low, high in whole:
        assert decision == ("accepted" if out <= accept else "rejected")
        assert low <= 100 * out / tested <= high


def test_a_tested_meter_is_not_due_again_and_its_page_says_what_came_of_it(back: Path) -> None:
    due = ask(
        back,
        "select count(*) from results.meter_test_outcome inner join results.meter_test_due"
        f" using (sweep_id, account_id, meter_id) where {NEWEST} and due_by like '%rule%'",
    )
    assert due == [(0,)]
    account, reason = ask(
        back,
        f"select account_id, reason from results.meter_test_outcome where {NEWEST}"
        " order by loss_usd_per_year desc nulls last limit 1",
    )[0]
    ended = run("evidence", back / "sweep.yaml", account, "--to", back / "pages")
    assert ended.code == 0, ended.text
    page = next((back / "pages").glob("*.html")).read_text(encoding="utf-8")
    assert "Meter test" in page
    assert reason[1:30] in page
