"""A newcomer's loop: sweep, campaign, its logs, sweep again; the list of changes improves."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from pipelines.configuration.load_settings import load
from pipelines.configuration.visits_file import read_visits
from pipelines.pages.learned_accounts import learned_so_far
from pipelines.store.warehouse import connect
from tests.acceptance.demo_run import Swept, ask, results_of, run
from tests.acceptance.scoring import score

pytestmark = [pytest.mark.heavy, pytest.mark.heavy_ci]  # half a minute or more

TOLD = (
    "from results.flow_log_result"
    " where sweep_id = (select max(sweep_id) from results.flow_log_result)"
)
USED = f"select distinct account_id {TOLD} and is_used"
LIMITS = ("--loggers", "3", "--weeks", "6", "--budget", "3000")


@pytest.fixture(scope="module")
def looped(swept: Swept, tmp_path_factory: pytest.TempPathFactory) -> dict:
    """True net benefit of the changes before and after a campaign's logs, and the folder."""
    folder = tmp_path_factory.mktemp("loop") / "town"
    shutil.copytree(swept.folder, folder)
    config = folder / "sweep.yaml"
    before = made_usd(folder)
    assert run("campaign", config, *LIMITS).code == 0
    visits = read_visits(folder / "workspace" / "campaign" / "visits.csv")
    ended = run("demo", folder, "--logs")
    assert ended.code == 0, ended.text
    assert run("sweep", config).code == 0
    return {"folder": folder, "before": before, "after": made_usd(folder), "visits": visits}


def made_usd(folder: Path) -> float:
    """True net benefit a year of what is to be changed now [USD]."""
    sites = score(folder).assessed
    return float(sites.filter(sites["action"] == "change")["given_usd"].sum())


def test_true_benefit_of_the_changes_rises(looped) -> None:
    """PLANTED: the demo's own truth."""
    assert looped["after"] > looped["before"]


def test_the_campaigns_logs_and_no_others_come_back(looped) -> None:
    logged = {v.account_id for v in looped["visits"] if v.logger_count}
    told = ask(looped["folder"], f"select account_id, is_used {TOLD}")
    assert logged
    assert {account for account, _ in told} <= logged
    assert len(told) == len(list((looped["folder"] / "flow_logs").glob("*.csv")))
    assert sum(used for _, used in told) >= 0.8 * len(told)


def test_where_the_campaign_does_not_log_the_next_sweep_decides(looped) -> None:
    """But a meter that is too small by its inferred peak alone needs more to show it."""
    logged = {v.meter_id for v in looped["visits"] if v.logger_count}
    awaited = "select meter_id from latest_recommendation where action = 'log_first'"
    folder = looped["folder"]
    assert "\ncampaign: workspace/campaign/visits.csv\n" in (folder / "sweep.yaml").read_text()
    assert {m for (m,) in ask(folder, f"{awaited} and verdict = 'fits'")} <= logged


def test_the_next_campaign_does_not_go_where_a_log_is_in_use(looped) -> None:
    used = {a for (a,) in ask(looped["folder"], USED)}
    folder = looped["folder"]
    assert run("campaign", folder / "sweep.yaml", *LIMITS, "--to", folder / "next").code == 0
    assert used
    assert not used & {v.account_id for v in read_visits(folder / "next" / "visits.csv")}


def test_what_was_learned_so_far_is_told_of_every_log_in_use(looped) -> None:
    thresholds = load(looped["folder"] / "sweep.yaml").thresholds
    with connect(results_of(looped["folder"]), read_only=True) as connection:
        learned = learned_so_far(connection, log_cost_usd=thresholds.logging_cost_usd)
    used = {a for (a,) in ask(looped["folder"], USED)}
    assert learned is not None
    assert set(learned.rows["account_id"]) == used
    assert learned.cost_usd == thresholds.logging_cost_usd * len(used)
    assert "log_first" not in set(learned.rows["action_after"])
