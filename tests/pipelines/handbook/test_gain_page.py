"""The page on realized gains: figures are those of the command, limits those of the code."""

from __future__ import annotations

import re

import pytest

from rightsize.findings import FINDING_CODES
from rightsize.verify.calibration import LEAST_CASES
from rightsize.verify.correction import LEAST_CASES as LEAST_TO_CORRECT
from rightsize.verify.leaks.persistence import LEAST_POOLED
from rightsize.verify.panel import MONTHS
from rightsize.verify.power import cases_needed
from rightsize.verify.realised import CONTROLS
from tests.unit.verify.gain_power import PAGE, SCATTERS, WEEKS_AFTER, figures, tables

TEXT = PAGE.read_text(encoding="utf-8")
NUMBER = re.compile(r"(?<![\w.])-?[\d,]+(?:\.\d+)?")


def part(name):
    found = re.search(rf"<!-- {name}: begin -->\n(.*?)\n<!-- {name}: end -->", TEXT, re.DOTALL)
    assert found is not None
    return found.group(1)


@pytest.fixture(scope="module")
def found():
    return figures()


def test_every_table_is_what_the_command_writes(found):
    """To a unit of the last digit: processors differ in the last bits."""
    for name, table in tables(found).items():
        held = part(name)
        assert NUMBER.sub("#", held) == NUMBER.sub("#", table)
        for ours, theirs in zip(NUMBER.findall(held), NUMBER.findall(table), strict=True):
            digits = len(ours.partition(".")[2])
            close = abs(float(ours.replace(",", "")) - float(theirs.replace(",", "")))
            assert close <= 10**-digits + 1e-9


def test_what_the_page_says_of_4_8_and_26_weeks(found):
    usual = {weeks: found["usual (8 %)", weeks] for weeks in WEEKS_AFTER}
    of_2, of_5, of_10 = range(3)
    assert 0.07 < usual[4].shown_share[of_5] < 0.15  # one of ten
    assert usual[8].shown_share[of_10] < 0.5  # less than half
    assert 28 <= cases_needed(usual[8].spread_share, gain_share=0.02, controls=10**6) <= 36
    assert usual[26].shown_share[of_10] > 0.9  # nearly always
    assert 0.5 < usual[26].shown_share[of_5] < 0.7  # three of five
    assert 10 <= cases_needed(usual[26].spread_share, gain_share=0.02, controls=10**6) <= 14
    for name in SCATTERS:
        for weeks in WEEKS_AFTER:
            made = found[name, weeks]
            assert made.shown_share[of_2] < 0.35
            assert 0.85 <= made.covered_share <= 0.97
            assert made.false_share <= 0.09  # 5 % and two standard errors of 190 cases


def test_limits_in_the_text_are_those_of_the_code():
    words = {3: "three", 5: "five", 6: "six", 8: "eight", 20: "Twenty"}
    assert f"{words[CONTROLS]} accounts of the same class" in TEXT
    assert f"before {words[MONTHS.least_after]} of them after the change, and" in TEXT
    assert f"and {words[MONTHS.least_before]} before" in TEXT
    assert f"fewer than {words[LEAST_POOLED]} cases" in TEXT
    assert f"fewer than {words[LEAST_CASES]}\n" in TEXT
    assert f"Once {LEAST_TO_CORRECT} change-outs" in TEXT
    for code in ("change_out_dates", "multiplier_at_change", "change_out_not_judged"):
        assert f"`{code}`" in TEXT
        assert code in FINDING_CODES
