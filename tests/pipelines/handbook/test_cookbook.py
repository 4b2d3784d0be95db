"""Every question of the cookbook is answered in both units, and says what it is."""

from __future__ import annotations

import io
import re

import pytest

from pipelines.commands.query import run_query
from pipelines.handbook.cookbook import cookbook, question
from pipelines.handbook.results import COOKBOOK, DICTIONARY, HANDBOOK, dictionary
from pipelines.store.resources import data_root
from rightsize.contracts.results import RESULT_TABLES
from rightsize.contracts.views import VIEWS
from rightsize.errors import QueryError
from rightsize.units.column_units import metric_name
from tests.pipelines.published_sweep import ask, put_out
from tests.pipelines.stages.publish.change_outs import with_change_outs
from tests.pipelines.stages.publish.synthetic_sweep import make_sweep

BOOK = cookbook()
# Synthetic sweeps plant these; the others must answer with rows.
EMPTY = {
    "stopped_and_slow_meters",
    "log_first_next_month",
    "run_above_continuous",
    "runner_up_lost_narrowly",
    "thin_data",
    "range_too_wide_to_act",
}


@pytest.fixture(scope="module", params=["us", "metric"])
def two_sweeps(request, tmp_path_factory):
    root = tmp_path_factory.mktemp(f"cookbook_{request.param}")
    for number in (1, 2):
        sweep = make_sweep(root, number, seed=number)
        put_out(with_change_outs(sweep), units=request.param)
    return sweep.workspace.results, request.param


def test_the_cookbook_answers_at_least_fifteen_questions():
    assert len(BOOK) >= 15


@pytest.mark.parametrize("name", BOOK)
def test_a_question_is_answered_by_read_only_sql(two_sweeps, name):
    results, units = two_sweeps
    rows = run_query(results, BOOK[name].statement(units), stream=io.StringIO())
    assert rows > 0 or name in EMPTY


@pytest.mark.parametrize("name", BOOK)
def test_a_question_says_grain_reads_why_and_units(name):
    text = (data_root() / "sql" / "80_cookbook" / f"{name}.sql").read_text()
    for key in ("question", "grain", "reads", "why", "units"):
        assert re.search(rf"^-- {key}: \S", text, re.M), key
    assert BOOK[name].question.endswith("?")
    known = {t.name for t in RESULT_TABLES} | {v.name for v in VIEWS}
    (reads,) = re.findall(r"^-- reads: (.*)$", text, re.M)
    assert set(reads.split(", ")) <= known
    for relation in reads.split(", "):
        assert re.search(rf"\b(from|join) {relation}\b", BOOK[name].sql), relation


def test_an_unknown_question_names_the_known():
    with pytest.raises(QueryError, match=r"no question 'nope'; it has: .*why_not_assessed"):
        question("nope")


def test_money_by_class_adds_up_to_the_change_outs(two_sweeps):
    """ANALYTIC: classes part the fleet, so their sums are the sum over the meters."""
    results, _ = two_sweeps
    by_class = ask(results, BOOK["money_at_stake_by_class"].sql)
    (total,) = ask(
        results,
        "select sum(net_benefit_usd_per_year) from latest_recommendation"
        " where action = 'change'",
    )[0]
    assert sum(row[6] for row in by_class) == pytest.approx(total)


def test_how_few_carry_how_much_is_the_first_place_past_the_share(two_sweeps):
    results, _ = two_sweeps
    money = [
        r[0]
        for r in ask(
            results, "select revenue_gain_usd_per_year from revenue_at_stake order by 1 desc"
        )
    ]
    for share, places, _, _ in ask(results, BOOK["how_few_carry_how_much"].sql):
        assert sum(money[:places]) >= share * sum(money) > sum(money[: places - 1])


def test_the_data_dictionary_is_that_of_the_contracts():
    page = (HANDBOOK / DICTIONARY).read_text(encoding="utf-8")
    assert page == dictionary(), "run python -m pipelines.handbook.results"


def test_the_data_dictionary_is_that_of_the_database(published, answer):
    """Each column of the database stands in the page with the words of its comment."""
    page = (HANDBOOK / DICTIONARY).read_text(encoding="utf-8")
    columns = answer(
        "select table_name, column_name from duckdb_columns() where database_name = 'results'"
    )
    tables = {t.name: t for t in RESULT_TABLES}
    for table, column in columns:
        if table in tables:
            section = page.split(f"\n## {table}\n")[1].split("\n## ")[0]
            (row,) = re.findall(rf"^\| `{column}` \|.*$", section, re.M)
            assert tables[table].column(column).meaning in row
            assert metric_name(column) == column or f"`{metric_name(column)}`" in row


def test_the_cookbook_page_holds_every_question_as_it_is_asked():
    page = (HANDBOOK / COOKBOOK).read_text(encoding="utf-8")
    for item in BOOK.values():
        section = page.split(f'<a id="{item.name}"></a>')[1].split("<a id=")[0]
        assert f"## {item.question}\n" in section
        assert f"```sql\n{item.sql.strip()}\n```" in section
        assert "```text\n" in section
    assert page.count("<a id=") == len(BOOK)
