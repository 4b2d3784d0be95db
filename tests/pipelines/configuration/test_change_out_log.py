"""The log of change-outs: every row is used or left out with file, line, account and rule."""

from __future__ import annotations

import datetime as dt
import json

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.configuration.load_change_out_log import load_change_out_log
from pipelines.configuration.load_settings import ChangeOutLogSettings
from rightsize.contracts.change_outs.job_log import LOG_RULES
from rightsize.errors import ConfigError

HEAD = "done_on,account_id,meter_id,what,new_meter_id\n"
METERS = pl.DataFrame(
    [("A", "old"), ("A", "new"), ("B", "B1")], schema=["account_id", "meter_id"], orient="row"
)


def read(folder, text, **said):
    path = folder / "log.csv"
    path.write_text(text, encoding="utf-8")
    written = ChangeOutLogSettings.model_validate({"path": "log.csv", **said})
    return load_change_out_log(path, written, METERS)


def test_a_job_keeps_its_day_meters_kind_and_line(tmp_path):
    log = read(tmp_path, HEAD + "2025-03-12,A,old,type,new\n\n2025-04-01,B,B1,repair,\n")
    assert log.frame.rows() == [
        (dt.date(2025, 3, 12), "A", "old", "type", "new", 2),
        (dt.date(2025, 4, 1), "B", "B1", "repair", None, 4),
    ]
    assert log.findings() == []


def test_another_systems_export_is_read_as_it_is_written(tmp_path):
    log = read(
        tmp_path,
        "Job;Serial;Acct;Completed\nUPG;B1;B;03/12/2025\n",
        columns={"done_on": "Completed", "account_id": "Acct", "meter_id": "Serial",
                 "what": "Job"},
        what_codes={"UPG": "type_and_size"}, date_format="%m/%d/%Y",
    )  # fmt: skip
    assert log.frame.rows() == [(dt.date(2025, 3, 12), "B", "B1", "type_and_size", None, 2)]


@pytest.mark.parametrize(
    ("line", "rule"),
    [
        (",A,old,type,new", "date_missing"),
        ("2025-03-12,,old,type,new", "account_missing"),
        ("2025-03-12,A,,type,new", "meter_missing"),
        ("2025-03-12,A,old,,new", "what_missing"),
        ("12.03.2025,A,old,type,new", "date_unreadable"),
        ("2025-02-30,A,old,type,new", "date_unreadable"),
        ("2025-03-12,A,old,swap,new", "what_unknown"),
        ("2025-03-12,Z,old,type,new", "account_unknown"),
        ("2025-03-12,B,old,type,new", "meter_not_at_account"),
        ("2025-03-12,A,old,type,new,x,y", "too_many_columns"),
    ],
)
def test_a_bad_row_is_left_out_with_file_line_account_and_rule(tmp_path, line, rule):
    log = read(tmp_path, HEAD + "2025-04-01,B,B1,repair,\n" + line + "\n")
    assert log.frame["line"].to_list() == [2]
    (finding,) = log.findings()
    assert finding.account_id == (line.split(",")[1] or None)
    assert finding.evidence["rules"] == [rule]
    assert f"{tmp_path / 'log.csv'}: line 3: {LOG_RULES[rule]} ({rule})" in finding.message
    assert log.document() == {"rows": 2, "used": 1, "left_out": 1}


def test_a_repeated_row_and_one_that_disagrees_are_left_out(tmp_path):
    same = "2025-03-12,A,old,type,new\n"
    log = read(tmp_path, HEAD + same + same + same.replace("type", "size"))
    (finding,) = log.findings()
    assert finding.evidence["rules"] == ["row_repeated", "rows_disagree"]
    assert finding.evidence["lines"] == [3, 4]


def test_a_meter_may_be_tested_on_the_day_of_its_repair(tmp_path):
    rows = "2025-04-01,B,B1,test,\n2025-04-01,B,B1,repair,\n"
    assert read(tmp_path, HEAD + rows).frame["what"].to_list() == ["test", "repair"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "file is empty"),
        ("done_on,account_id,what\n", "missing column 'meter_id'"),
        ("done_on,account_id,meter_id,what,what\n", "duplicate column 'what'"),
    ],
)
def test_a_log_that_cannot_be_read_is_one_clear_line(tmp_path, text, words):
    with pytest.raises(ConfigError, match=words):
        read(tmp_path, text)


def test_a_missing_log_is_named(tmp_path):
    written = ChangeOutLogSettings.model_validate({"path": "none.csv"})
    with pytest.raises(ConfigError, match=r"none\.csv: no such file"):
        load_change_out_log(tmp_path / "none.csv", written, METERS)


CELLS = st.sampled_from(
    ["", "A", "B", "old", "new", "B1", "type", "test", "2025-03-12", "x", "0"]
)


@given(st.lists(st.lists(CELLS, min_size=1, max_size=6), max_size=12))
@settings(max_examples=60, deadline=None)
def test_rows_in_are_rows_used_and_rows_left_out(tmp_path_factory, rows):
    folder = tmp_path_factory.mktemp("log")
    text = HEAD + "".join(",".join(row) + "\n" for row in rows)
    log = read(folder, text)
    given_rows = sum(any(cell for cell in row) for row in rows)
    told = [line for f in log.findings() for line in f.evidence["lines"]]
    assert log.row_count == given_rows == log.frame.height + len(told)
    assert sorted(told + log.frame["line"].to_list()) == [
        n for n, row in enumerate(rows, 2) if any(row)
    ]
    for finding in log.findings():
        json.dumps(finding.evidence)
