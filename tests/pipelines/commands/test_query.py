"""Questions are answered, everything else is refused, and output harms no one."""

from __future__ import annotations

import csv
import io
import json
import os
import signal
import stat
import subprocess
import sys
import threading
import time
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipelines.commands.console import visible
from pipelines.commands.query import describe, open_results, run_query
from pipelines.commands.query_output import cell_text, safe_cell
from rightsize.errors import DamageError, QueryError
from tests.pipelines.exports import Utility

PROJECT = Path(__file__).resolve().parents[3]


def _ask(published, sql, **options):
    out = io.StringIO()
    rows = run_query(published.workspace.results, sql, stream=out, **options)
    return rows, out.getvalue()


REFUSED = [
    "insert into results.finding (code) values ('x')",
    "with x as (insert into finding (code) values ('x') returning *) select * from x",
    "update recommendation set verdict = 'fits'",
    "delete from recommendation",
    "create table t as select 1",
    "create temp table t as select 1",
    "create view v as select 1",
    "drop table recommendation",
    "alter table recommendation add column x int",
    "attach '/tmp/other.duckdb'",
    "detach results",
    "copy recommendation to '/tmp/out.csv'",
    "copy (select 1) to '/tmp/out.csv'",
    "export database '/tmp/out'",
    "install httpfs",
    "load httpfs",
    "set enable_external_access = true",
    "reset enable_external_access",
    "pragma database_list",
    "call pragma_version()",
    "prepare p as select 1",
    "checkpoint",
    "vacuum",
    "begin",
    "explain analyze copy recommendation to 'out.csv'",
    "explain (analyze) copy recommendation to '.tmp/out.csv'",
    "explain (analyze, format json) select 1",
    "/* a */ explain -- b\n analyze copy recommendation to '.tmp/out.csv'",
    "explain with x as (copy sweep to '.tmp/out.csv') select 1",
    "explain analyze with x as (copy sweep to '.tmp/out.csv') select 1",
    "with x as (copy sweep to '.tmp/out.csv') select 1",
    "with x as (copy sweep to '.tmp/out.csv') from x",
    "select (with x as (copy sweep to '.tmp/out.csv') select 1)",
    "select * from (with x as (copy sweep to '.tmp/out.csv') from x) union all select 1",
    "with y as (with x as (copy sweep to '.tmp/o.csv') from x) from y",
    "with x as (copy sweep to '.tmp/out.csv') pivot sweep on units using count(*)",
    "with x as (update sweep set sweep_id = 'x' returning *) select * from x",
    "with x as (delete from sweep returning *) select * from x",
    "from query('with x as (copy sweep to ''.tmp/out.csv'') select 1')",
    "from query('select 42')",
    "select * from QUERY('select 42')",
    "pivot query('select 42 as a') on a using count(*)",
    "explain analyze set memory_limit = '9GB'",
    "explain execute x",
    "set memory_limit = '9GB'",
    "set temp_directory = '/tmp'",
    "import database '/tmp/out'",
    "explain analyze insert into finding (code) values ('x')",
    "explain analyze copy recommendation to '/tmp/out.csv'",
    "select 1; select 2",
    "select 1; drop table recommendation",
    "select * from read_csv('/etc/passwd')",
    "select * from read_text('/etc/passwd')",
    "select * from read_blob('/etc/passwd')",
    "select * from read_parquet('/tmp/x.parquet')",
    "select * from read_json_auto('/etc/passwd')",
    "select * from glob('/etc/*')",
    "from '/etc/passwd'",
    "from 'https://example.org/x.parquet'",
    "select * from sniff_csv('/etc/passwd')",
    "select getenv('HOME')",
    "select * from published_frame",
    "select ?",
    "select $name",
    "",
    "-- only a comment",
    "selec 1",
    "from no_such_table",
]


@pytest.mark.parametrize("sql", REFUSED)
def test_anything_but_a_question_to_the_results_is_refused(published, sql):
    published_frame = pl.DataFrame({"a": [1]})  # a local frame is out of reach as well
    before = published.workspace.results.read_bytes()
    with pytest.raises(QueryError):
        _ask(published, sql)
    assert published.workspace.results.read_bytes() == before
    assert published_frame.height == 1


@pytest.mark.parametrize("sql", [q for q in REFUSED if "copy" in q])
def test_no_copy_is_written_anywhere(published, sql, tmp_path, monkeypatch):
    """Where a folder `.tmp` lies in the working directory, DuckDB would spill there."""
    (tmp_path / ".tmp").mkdir()
    monkeypatch.chdir(tmp_path)
    with pytest.raises(QueryError):
        _ask(published, sql)
    assert [str(p.relative_to(tmp_path)) for p in tmp_path.rglob("*")] == [".tmp"]


def test_even_unchecked_a_connection_writes_nowhere_it_was_not_told_to(
    published, tmp_path, monkeypatch
):
    """The second fence: the database itself refuses files, whatever passes the first."""
    (tmp_path / ".tmp").mkdir()
    monkeypatch.chdir(tmp_path)
    with open_results(published.workspace.results) as connection:
        for sql in (
            "copy (select 1) to '.tmp/out.csv'", "copy (select 1) to 'out.csv'",
            "attach 'x.duckdb'", "set temp_directory = '.tmp'", "from '/etc/passwd'",
            "set memory_limit = '9GB'", "install httpfs", "load httpfs",
        ):  # fmt: skip
            with pytest.raises(duckdb.Error):
                connection.execute(sql)
    assert [str(p.relative_to(tmp_path)) for p in tmp_path.rglob("*")] == [".tmp"]


ENDLESS = "select sum(sqrt(a.range + b.range)) from range(10000000) a, range(10000000) b"


def test_a_query_that_takes_too_long_is_ended(published):
    began = time.monotonic()
    with pytest.raises(QueryError, match=r"longer than 0\.5 s"):
        _ask(published, ENDLESS, timeout_s=0.5)
    assert time.monotonic() - began < 60
    assert _ask(published, "select 1", timeout_s=0.5)[0] == 1


def test_an_answer_that_takes_too_long_to_write_is_ended(published):
    with pytest.raises(QueryError, match="longer than"):
        _ask(published, "select * from range(1000000000)", format="csv", timeout_s=0.7)


def test_a_query_spills_into_a_folder_of_its_own_and_removes_it(
    published, tmp_path, monkeypatch
):
    monkeypatch.setenv("RIGHTSIZE_SCRATCH", str(tmp_path))
    monkeypatch.chdir(tmp_path)
    with open_results(published.workspace.results, "100MB") as connection:
        (spill,) = tmp_path.iterdir()
        assert stat.S_IMODE(spill.stat().st_mode) == 0o700
        connection.execute(
            "create temp table big as select range as a, hash(range) as b"
            " from range(20000000) order by b"
        )
        assert sum(p.stat().st_size for p in spill.rglob("*")) > 0
    assert list(tmp_path.iterdir()) == []
    monkeypatch.setenv("RIGHTSIZE_SCRATCH", str(tmp_path / "gone"))
    with pytest.raises(QueryError, match="no temporary folder for the query"):
        _ask(published, "select 1")


@pytest.mark.parametrize("memory", ["much", "-1", "2 apples", "", "0GB"])
def test_a_memory_that_is_none_is_refused(published, memory):
    with pytest.raises(QueryError, match="memory"):
        _ask(published, "select 1", memory=memory)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_a_query_with_exit_code_130(published, tmp_path, number):
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    more = {"workspace": str(published.workspace.root)}
    config = Utility(tmp_path / "utility", {"layout": "interval"}, more=more).loaded.path
    words = (sys.executable, "-m", "pipelines.cli", "query", str(config), ENDLESS)
    asking = subprocess.Popen(
        words,
        cwd=PROJECT,
        stderr=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "RIGHTSIZE_SCRATCH": str(scratch)},
    )
    until = time.monotonic() + 60
    while not list(scratch.iterdir()) and time.monotonic() < until:
        time.sleep(0.05)
    time.sleep(1)
    asking.send_signal(number)
    out, told = asking.communicate(timeout=60)
    assert asking.returncode == 130, told
    assert "Traceback" not in told
    assert out == ""
    assert list(scratch.iterdir()) == []


ANSWERED = [
    "select 1",
    "from results.sweep",
    "from sweep",
    "with x as (select 1 as a) select a from x",
    "values (1), (2)",
    "describe recommendation",
    "summarize sweep",
    "show tables",
    "explain select * from recommendation",
    "explain analyze select count(*) from recommendation",
    "-- why\nexplain /* so */ (select 1)",
    "with recursive r as (select 1 as a union all select a + 1 from r where a < 4) from r",
    "select 1 union all select 2 order by 1",
    "select 'copy x to y' as \"copy\"",
    "with x as (from sweep) pivot x on units using count(*)",
    "from sweep pivot (count(*) for units in ('us', 'metric'))",
    "unpivot (select 1 as a, 2 as b) on a, b",
    "pivot latest_recommendation on verdict using count(*) group by customer_class",
    "select * from recommendation where false",
    "select account_id from recommendation;  -- with an end",
]


@pytest.mark.parametrize("sql", ANSWERED)
@pytest.mark.parametrize("format", ["table", "csv", "json"])
def test_questions_are_answered_in_every_format(published, sql, format):
    _, text = _ask(published, sql, format=format)
    assert text


def test_a_refusal_says_what_was_refused(published):
    with pytest.raises(QueryError, match="INSERT not allowed: results are read-only"):
        _ask(published, "insert into finding (code) values ('x')")
    with pytest.raises(QueryError, match="no files, network or extensions"):
        _ask(published, "select * from read_csv('/etc/passwd')")
    with pytest.raises(QueryError, match="only one statement per query; got 2"):
        _ask(published, "select 1; select 2")


def test_nothing_published_is_said_so(tmp_path):
    with pytest.raises(QueryError, match="no results yet; run `rightsize sweep` first"):
        run_query(tmp_path / "results.duckdb", "select 1")


def test_a_file_that_is_no_database_is_said_so(tmp_path):
    path = tmp_path / "results.duckdb"
    path.write_text("not a database at all")
    with pytest.raises(DamageError, match=r"cannot be read .* restore published/"):
        run_query(path, "select 1")


def test_csv_keeps_numbers_and_disarms_formulas(published):
    _, text = _ask(
        published,
        """select '=cmd|calc' as a, '+1' as b, '-1' as c, '@sum' as d, chr(9) || 'x' as e,
        -1 as number, -1.5 as "=head", 'plain' as f, 'a,"b"' as g, null as h""",
        format="csv",
    )
    head, row = csv.reader(io.StringIO(text))
    assert row[:5] == ["'=cmd|calc", "'+1", "'-1", "'@sum", "'\tx"]
    assert row[5:] == ["-1", "-1.5", "plain", 'a,"b"', ""]
    assert head[6] == "'=head"


@pytest.mark.parametrize("text", ["=1", " =1", "\t=1", "\r=1", "\uff1d1", "\uff0b1"])
def test_a_cell_that_a_spreadsheet_would_run_is_disarmed(text):
    assert safe_cell(text).startswith("'")


@pytest.mark.parametrize("text", ["a=1", "1-2", "Hoyt & Sons", ""])
def test_a_harmless_cell_is_left_alone(text):
    assert safe_cell(text) == text


def test_json_is_json_whatever_the_numbers_are(published):
    _, text = _ask(
        published,
        "select 1e308 * 10 as big, 'nan'::double as none, now() as at, [1, 2] as list,"
        " {'a': 1} as struct, 1.50::decimal(5, 2) as money, null as empty, 'é' as word",
        format="json",
    )
    (row,) = json.loads(text)
    assert row["big"] is None
    assert row["none"] is None
    assert row["list"] == [1, 2]
    assert row["struct"] == {"a": 1}
    assert row["money"] == 1.5
    assert row["word"] == "é"


def test_two_columns_of_one_name_would_lose_one_in_json(published):
    with pytest.raises(QueryError, match="two columns have the same name"):
        _ask(published, "select 1 as a, 2 as a", format="json")


def test_parquet_out_reads_back_the_same(published, tmp_path):
    path = tmp_path / "out.parquet"
    rows, _ = _ask(published, "from latest_recommendation", format="parquet", to=path)
    assert rows == pl.read_parquet(path).height == 40


def test_parquet_needs_a_file(published):
    with pytest.raises(QueryError, match="parquet needs an output file"):
        _ask(published, "select 1", format="parquet")


def test_a_failed_answer_leaves_the_file_as_it_was(published, tmp_path):
    path = tmp_path / "out.csv"
    path.write_text("before")
    with pytest.raises(QueryError):
        _ask(published, "select error('no') from range(3)", format="csv", to=path)
    assert path.read_text() == "before"
    assert [p.name for p in tmp_path.iterdir()] == ["out.csv"]


def test_a_limit_cuts_and_says_that_there_is_more(published):
    rows, text = _ask(published, "from recommendation", limit=3)
    assert rows == 3
    assert "more rows available" in text
    assert _ask(published, "from sweep", limit=3)[1].endswith("1 row\n")


def test_a_pipe_gets_whole_lines(published):
    """A pager scrolls sideways: a row stays on one line, nothing is cut."""
    _, text = _ask(published, "from latest_recommendation order by account_id limit 2")
    assert len(text.splitlines()) == 4
    assert "the turbine misses 30 % of the volume at low flow" in text


def test_control_characters_are_shown_not_obeyed(published):
    _, text = _ask(published, "select chr(27) || '[31mred' || chr(10) || 'line' as a")
    assert "\x1b" not in text
    assert r"\x1b[31mred\nline" in text
    assert visible("a\u202eb") == r"a\u202eb"


def test_cells_carry_digits_by_unit():
    assert cell_text("net_benefit_usd_per_year", 12345.678) == "12,346"
    assert cell_text("accuracy_pct", 97.456) == "97.46"
    assert cell_text("low_flow_share", 0.123456) == "0.1235"
    assert cell_text("feasible", True) == "yes"
    assert cell_text("reads", 8760) == "8,760"


def test_describe_lists_tables_and_columns_with_their_meaning(published):
    out = io.StringIO()
    describe(published.workspace.results, stream=out)
    assert "changed_since_previous_sweep" in out.getvalue()
    out = io.StringIO()
    describe(published.workspace.results, "results.profile", stream=out, format="csv")
    assert "[gal/year] actual volume through the meter" in out.getvalue()


def test_describing_an_unknown_table_names_the_known(published):
    with pytest.raises(QueryError, match=r"no table 'nope'.*flagged_account"):
        describe(published.workspace.results, "nope")


def test_questions_side_by_side_in_one_process_are_answered(published):
    failures = []

    def work():
        try:
            _ask(published, "select count(*) from candidate")
        except QueryError as error:
            failures.append(error)

    threads = [threading.Thread(target=work) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
