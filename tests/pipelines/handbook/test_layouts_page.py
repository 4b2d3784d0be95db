"""The handbook's examples land as they stand, and its rules are the rules."""

from __future__ import annotations

import re
from pathlib import Path

import polars as pl
import pytest
import yaml

from pipelines.configuration.load_change_out_log import COLUMNS, REQUIRED, load_change_out_log
from pipelines.configuration.load_settings import ChangeOutLogSettings
from pipelines.store.resources import sql_text
from rightsize.contracts.change_outs.job_log import LOG_RULES
from tests.pipelines.exports import Utility

PAGE = Path(__file__).resolve().parents[3] / "rightsize" / "handbook" / "layouts.md"
TEXT = PAGE.read_text(encoding="utf-8")


def example(layout: str, kind: str) -> str:
    found = re.search(rf"```{kind} {layout}\n(.*?)```", TEXT, re.DOTALL)
    assert found is not None
    return found.group(1)


def landed(folder: Path, layout: str, kind: str = "csv") -> Utility:
    export = yaml.safe_load(example(layout, "yaml"))[0]
    utility = Utility(folder, {**export, "path": "exports/*"})
    utility.write(f"example.{kind}", example(layout, kind))
    assert utility.land().rows_rejected == 0
    return utility


class TestChangeOutLog:
    def test_the_example_is_read_whole(self, tmp_path: Path) -> None:
        (tmp_path / "change_outs.csv").write_text(example("change_outs", "csv"))
        said = yaml.safe_load(example("change_outs", "yaml"))["change_out_log"]
        listed = [("A-0411", "N-0411"), ("A-0027", "N-0027"), ("A-0310", "M-0310"),
                  ("A-0188", "M-0188")]  # fmt: skip
        meters = pl.DataFrame(listed, schema=["account_id", "meter_id"], orient="row")
        log = load_change_out_log(
            tmp_path / said["path"], ChangeOutLogSettings.model_validate(said), meters
        )
        assert log.document() == {"rows": 4, "used": 4, "left_out": 0}

    def test_the_page_lists_every_column_and_rule(self) -> None:
        listed = dict(re.findall(r"^\| (\w+) \| (.*) \|$", TEXT, re.MULTILINE))
        assert LOG_RULES.items() <= listed.items()
        for name, meaning in COLUMNS.items():
            needed = "yes" if name in REQUIRED else ""
            assert f"| `{name}` | {needed} | {meaning} |" in TEXT


@pytest.mark.parametrize(
    ("layout", "kind", "lake", "reads"),
    [("interval", "csv", "interval", 6), ("register", "csv", "register", 6),
     ("wide", "csv", "interval", 72), ("espi", "xml", "interval", 2)],
)  # fmt: skip
def test_each_example_lands_whole(
    tmp_path: Path, layout: str, kind: str, lake: str, reads: int
) -> None:
    assert len(landed(tmp_path, layout, kind).lake(lake)) == reads


def test_the_page_lists_every_rule_in_the_words_of_the_tables() -> None:
    rules = re.findall(
        r"\('(\w+)', '(?:reject|flag)',\s*'((?:[^']|'')*)'\)", sql_text("20_validate/read_rule")
    )
    assert len(rules) == sql_text("20_validate/read_rule").count("'reject'") + sql_text(
        "20_validate/read_rule"
    ).count("'flag'")
    listed = dict(re.findall(r"^\| (\w+) \| (.*) \|$", TEXT, re.MULTILINE))
    for rule, meaning in rules:
        assert listed[rule] == meaning.replace("''", "'")


def test_every_rule_that_sql_or_code_names_has_a_meaning() -> None:
    rules = set(re.findall(r"\('(\w+)', '(?:reject|flag)'", sql_text("20_validate/read_rule")))
    named = set()
    for relation in (
        "20_validate/judged_read",
        "10_land/placed_read",
        "10_land/wide_read",
        "10_land/espi_read",
    ):
        named |= set(re.findall(r"then '([a-z]+_[a-z_]+)'", sql_text(relation)))
    suffixes = re.findall(r"\|\| '(_[a-z_]+)'", sql_text("20_validate/judged_read"))
    named |= {f"{amount}{s}" for s in suffixes for amount in ("volume", "reading")}
    assert named <= rules
