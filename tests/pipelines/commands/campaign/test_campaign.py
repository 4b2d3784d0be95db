"""The campaign from published results: options, units, lists."""

from __future__ import annotations

import io
import stat
from dataclasses import fields
from datetime import date
from pathlib import Path

import duckdb
import polars as pl
import pytest
from rich.console import Console

from pipelines.commands.campaign.choose import _held_logs, campaign
from pipelines.commands.campaign.summary import show_campaign, write_campaign
from rightsize.campaign.visit import Visit
from rightsize.errors import ConfigError
from rightsize.settings import Thresholds
from tests.pipelines.published_sweep import put_out
from tests.pipelines.stages.publish.synthetic_sweep import make_sweep

LIMITS = Thresholds()
START = date(2026, 4, 1)
ASKED = {"loggers": 3, "weeks": 4, "budget_usd": 1500.0, "start_on": START}


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    sweep = make_sweep(tmp_path_factory.mktemp("campaign"))
    put_out(sweep)
    return sweep.workspace.results


@pytest.fixture(scope="module")
def outcome(results):
    return campaign(results, LIMITS, **ASKED, units="us")


def test_it_keeps_loggers_weeks_and_budget(outcome):
    """PLANTED: every meter gains 600 by two weeks of flow, 500 by two nights."""
    assert outcome.visits
    assert {v.expected_gain_usd for v in outcome.visits} <= {500.0, 600.0}
    spent = sum(v.cost_usd for v in outcome.visits) + outcome.campaign.plan.trip_usd
    assert spent <= 1500.0
    assert outcome.start_on == date(2026, 4, 6)
    assert all(0 <= (v.week_start_on - outcome.start_on).days < 28 for v in outcome.visits)


def test_the_visits_have_the_fields_of_a_visit(outcome):
    assert outcome.frame.columns == [f.name for f in fields(Visit)]
    assert outcome.frame.height == len(outcome.visits)


def test_lists_are_private_and_hold_what_is_set_and_fetched(outcome, tmp_path):
    folder = tmp_path / "campaign"
    folder.mkdir(mode=0o750)
    (folder / "crew_9_week_2020-01-06.csv").write_text("old")
    (folder / "notes.csv").write_text("mine")
    paths = write_campaign(outcome, folder)
    assert paths[0] == folder / "visits.csv"
    assert {p.name for p in folder.iterdir()} == {p.name for p in paths} | {"notes.csv"}
    work = pl.concat([pl.read_csv(p) for p in paths[1:]])
    logs = outcome.frame.filter(pl.col("logger_count") > 0).height
    assert work.filter(pl.col("task") == "set").height == logs
    assert work.filter(pl.col("task") == "fetch").height == logs
    assert stat.S_IMODE(folder.stat().st_mode) == 0o750, "somebody's folder keeps its mode"


def test_a_new_folder_is_private(outcome, tmp_path):
    write_campaign(outcome, tmp_path / "new")
    assert stat.S_IMODE((tmp_path / "new").stat().st_mode) == 0o700


@pytest.mark.parametrize("day", [date.min, date(9999, 12, 27), date.max])
def test_a_start_that_no_plan_has_is_refused(results, day):
    with pytest.raises(ConfigError, match="--start: must lie between 2000-01-01 and"):
        campaign(results, LIMITS, **{**ASKED, "start_on": day}, units="us")


def test_metric_results_give_the_same_campaign(outcome, tmp_path):
    sweep = make_sweep(tmp_path)
    put_out(sweep, units="metric")
    theirs = campaign(sweep.workspace.results, LIMITS, **ASKED, units="metric")
    assert theirs.campaign.plan.value_usd == pytest.approx(outcome.campaign.plan.value_usd)


def test_it_says_what_it_does_in_a_terminal(outcome):
    console = Console(width=80, record=True, file=io.StringIO())
    show_campaign(outcome, console)
    text = console.export_text()
    assert "of the optimum" in text
    assert "Sites to log first" in text
    assert "largest expected gain first" in text
    assert max(len(line) for line in text.splitlines() if "───" in line) <= 80


def test_nothing_affordable_is_said(results):
    none = campaign(results, LIMITS, **(ASKED | {"budget_usd": 0.0}), units="us")
    console = Console(width=80, record=True, file=io.StringIO())
    show_campaign(none, console)
    assert "No log or test is worth its cost" in console.export_text()


def test_results_are_needed_first(tmp_path):
    with pytest.raises(ConfigError, match="no results yet"):
        campaign(tmp_path / "results.duckdb", LIMITS, **ASKED, units="us")


def test_logs_in_use_in_the_newest_sweep_count_as_held_by_class(tmp_path):
    """PLANTED: two offices logged, one of them twice; a refused log and an older sweep's."""
    held = tmp_path / "told.duckdb"
    with duckdb.connect(str(held)) as connection:
        connection.execute("create schema results")
        connection.execute(
            "create table results.sweep as select 's1' sweep_id union select 's2'"
        )
        connection.execute(
            "create table results.latest_recommendation as from (values ('A', 'M1', 'office'),"
            " ('B', 'M2', 'office'), ('C', 'M3', 'hotel')) t(account_id, meter_id,"
            " customer_class)"
        )
    assert _held_logs(held) == {}
    with duckdb.connect(str(held)) as connection:
        connection.execute(
            "create table results.flow_log_result as from (values ('s2', 'A', 'M1', true),"
            " ('s2', 'A', 'M1', true), ('s2', 'B', 'M2', true), ('s2', 'C', 'M3', false),"
            " ('s1', 'C', 'M3', true)) t(sweep_id, account_id, meter_id, is_used)"
        )
    assert _held_logs(held) == {"office": 2}


def test_a_log_of_a_class_that_is_known_teaches_less(results, outcome):
    held = dict.fromkeys(set(outcome.campaign.options.customer_class.tolist()), 50)
    known = campaign(results, LIMITS, **ASKED, units="us", held_logs=held)
    assert known.campaign.plan.class_usd < outcome.campaign.plan.class_usd
