"""The programme from published results: options, limits, units, and nothing published."""

from __future__ import annotations

import dataclasses
import io
import re
from pathlib import Path

import polars as pl
import pytest
from rich.console import Console

from pipelines.commands.console import PlainConsole
from pipelines.commands.program import program, program_options
from pipelines.commands.program_summary import show_program
from rightsize.contracts.candidate import CANDIDATE
from rightsize.errors import ConfigError
from rightsize.settings import Thresholds
from tests.pipelines.published_sweep import ask, put_out
from tests.pipelines.stages.publish.synthetic_sweep import make_sweep, write_blocks

ANY = Thresholds(odds_of_benefit=0.5, min_net_benefit_usd_per_year=0)


def published_with_money(root: Path, **options: object) -> Path:
    """A published sweep whose candidates carry costs and odds."""
    sweep = make_sweep(root)
    benefit = pl.col("net_benefit_usd_per_year")
    priced = sweep.frames["candidate"].with_columns(
        change_cost_usd=400.0 + 300.0 * pl.col("size_in"),
        net_present_value_usd=benefit * 11.0,
        net_benefit_low_usd_per_year=benefit - 5.0,
        net_benefit_high_usd_per_year=benefit + 5.0,
        odds_of_benefit=pl.when(benefit > 0).then(0.9).otherwise(0.1),
        odds_of_fit=pl.lit(0.95),
    )
    write_blocks(sweep.workspace, sweep.record, CANDIDATE, priced)
    put_out(sweep, **options)
    return sweep.workspace.results


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return published_with_money(tmp_path_factory.mktemp("us"))


def test_options_are_feasible_meters_of_accounts_to_change(results: Path) -> None:
    options = program_options(results, ANY, units="us")
    changes = ask(
        results, "select count(*) from results.latest_recommendation where action = 'change'"
    )[0][0]
    assert 0 < options["account_id"].n_unique() <= int(str(changes))
    assert options["net_benefit_usd_per_year"].to_numpy().min() >= 0
    key = options.select("account_id", "meter_id", "meter_type", "size_in", "grade")
    assert key.is_unique().all()


def test_programme_keeps_its_budget(results: Path) -> None:
    everything = program(results, ANY, budget_usd=1e9, units="us").program
    assert everything.selected.height > 0
    half = program(results, ANY, budget_usd=everything.cost_usd / 2, units="us").program
    assert half.cost_usd <= everything.cost_usd / 2
    assert half.net_present_value_usd < everything.net_present_value_usd
    assert half.ranking["programme_gain_usd"].to_numpy().min() >= -0.01


def test_metric_results_give_the_same_programme(results: Path, tmp_path: Path) -> None:
    metric = published_with_money(tmp_path, units="metric")
    ours = program(metric, ANY, budget_usd=9000.0, crews=1, units="metric").program
    theirs = program(results, ANY, budget_usd=9000.0, crews=1, units="us").program
    assert theirs.selected.height > 0
    assert ours.net_present_value_usd == pytest.approx(theirs.net_present_value_usd)
    assert ours.crew_hours == theirs.crew_hours
    assert set(ours.selected["account_id"]) == set(theirs.selected["account_id"])


def test_nothing_published_is_said_plainly(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="no results yet; run `rightsize sweep` first"):
        program(tmp_path / "results.duckdb", ANY, budget_usd=1.0, units="us")


def test_overrun_meters_left_out_are_listed(results: Path) -> None:
    outcome = program(results, ANY, budget_usd=0.0, units="us")
    overrun = outcome.options.filter(pl.col("verdict") == "undersized")
    assert outcome.overrun_left_out.height == overrun["meter_id"].n_unique()


def test_another_meter_than_the_site_page_names_is_explained(
    results: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    outcome = program(results, ANY, budget_usd=20_000, units="us")
    named = outcome.options.filter("is_recommended")
    assert named.height == named.unique(["account_id", "meter_id"]).height
    others = outcome.program.selected.filter(~pl.col("is_recommended")).height
    show_program(outcome, Console(width=200))
    said = f"{others:,} get another meter than their site page recommends"
    assert (said in capsys.readouterr().out) == bool(others)


def test_meters_are_counted_where_an_account_has_several(results: Path) -> None:
    outcome = program(results, ANY, budget_usd=1e9, units="us")
    assert outcome.program.selected.height > 1
    one_account = outcome.options.with_columns(account_id=pl.lit("A-1"))
    said = io.StringIO()
    show_program(
        dataclasses.replace(outcome, options=one_account), PlainConsole(file=said, width=200)
    )
    found = re.search(r"(\d+) of (\d+) meters to change", said.getvalue())
    assert found is not None
    assert 1 < int(found[1]) <= int(found[2])
