"""Every command on a swept utility, as its users type it."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from tests.acceptance.demo_run import Swept, run


@pytest.fixture(scope="session")
def config(swept: Swept) -> Path:
    return swept.folder / "sweep.yaml"


def test_a_programme_stays_in_its_budget_and_lists_what_to_do(
    config: Path, swept: Swept, tmp_path: Path
) -> None:
    changes = swept.rows(
        "select account_id, change_cost_usd from results.latest_recommendation"
        " where action = 'change'"
    )
    budget = sum(cost for _, cost in changes) / 2
    ended = run("program", config, "--budget", budget, "--crews", 1, "--to", tmp_path / "p.csv")
    assert ended.code == 0
    with (tmp_path / "p.csv").open(encoding="utf-8") as file:
        chosen = list(csv.DictReader(file))
    assert chosen
    assert sum(float(row["change_cost_usd"]) for row in chosen) <= budget * (1 + 1e-9)
    assert {row["account_id"] for row in chosen} <= {account for account, _ in changes}
    assert "Compared with a simple ranking" in ended.text


def test_a_negative_budget_is_refused(config: Path) -> None:
    assert run("program", config, "--budget", "-1").code == 2


def test_a_question_is_answered_in_every_form(config: Path, tmp_path: Path) -> None:
    sql = "select count(*) as meters from latest_recommendation"
    assert "meters" in run("query", config, sql).text
    (row,) = json.loads(run("query", config, sql, "-f", "json").text)
    assert row["meters"] > 0
    assert run("query", config, sql, "-f", "parquet", "--to", tmp_path / "a.parquet").code == 0
    assert (tmp_path / "a.parquet").stat().st_size > 0


@pytest.mark.parametrize(
    "sql",
    [
        "insert into sweep select * from sweep",
        "attach 'x.duckdb'",
        "copy sweep to 'x.csv'",
        "select * from read_csv('/etc/hosts')",
        "install httpfs",
    ],
)
def test_anything_but_a_question_is_refused(config: Path, sql: str) -> None:
    ended = run("query", config, sql)
    assert ended.code == 2
    assert "not allowed" in ended.text


def test_a_site_page_is_written_and_an_unknown_account_refused(
    config: Path, swept: Swept, tmp_path: Path
) -> None:
    ((account,),) = swept.rows("select min(account_id) from results.latest_recommendation")
    assert run("evidence", config, account, "--to", tmp_path).code == 0
    (page,) = tmp_path.glob("*.html")
    assert account in page.read_text(encoding="utf-8")
    ended = run("evidence", config, "no-such-account")
    assert ended.code == 2
    assert "no-such-account" in ended.text


def test_fleet_pages_lie_beside_the_results(swept: Swept) -> None:
    assert (swept.folder / "workspace" / "published" / "pages" / "index.html").is_file()
    assert "pages: " in swept.ended.text


def test_a_design_says_its_flow_its_basis_and_its_caution(config: Path) -> None:
    ended = run("design", config, "lavatory_public=10", "service_sink=5")
    # HAND: 10 x 2 + 5 x 3 = 35 fixture units (IPC 2018 E103.3(2), READ); table E103.3(3), tank,
    # 35 units: 24.9 gpm (READ+)
    assert "design peak 24.9 gpm from 35 supply fixture units" in ended.text
    assert "licensed designer" in ended.text
    # 3/4 in: 24.9 of 30 gpm, half of it of 15 gpm, 15 psi x (24.9 / 30)^2 = 10.3 of 20 psi
    assert "3/4 in" in ended.text  # the words of a cell may break over lines


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["unicorn=3"], "unknown IPC fixture 'unicorn'; allowed"),
        (["lavatory_public"], "expected name=count"),
        ([], "give fixtures"),
        (["--like", "castle"], "castle"),
    ],
)
def test_a_design_that_cannot_be_made_says_why(
    config: Path, words: list[str], says: str
) -> None:
    ended = run("design", config, *words)
    assert ended.code == 2
    assert says in ended.text
