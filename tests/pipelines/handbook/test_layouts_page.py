"""The handbook's examples land as they stand, and its rules are the rules."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import yaml

from pipelines.store.resources import sql_text
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


@pytest.mark.parametrize(
    ("layout", "kind", "lake", "reads"),
    [("interval", "csv", "interval", 6), ("register", "csv", "register", 6),
     ("wide", "csv", "interval", 72), ("espi", "xml", "interval", 2)],
)  # fmt: skip
def test_each_example_lands_whole(
    tmp_path: Path, layout: str, kind: str, lake: str, reads: int
) -> None:
    assert len(landed(tmp_path, layout, kind).lake(lake)) == reads


def test_the_page_lists_every_rule() -> None:
    rules = set(re.findall(r"\('(\w+)', '(?:reject|flag)'", sql_text("20_validate/read_rule")))
    listed = set(re.findall(r"^\| (\w+) \| ", TEXT, re.MULTILINE)) - {"rule"}
    assert rules <= listed


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
