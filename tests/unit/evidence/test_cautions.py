"""Every duty that the trade knows at a meter is said, with its rule, and defers to local code.

The duties are those of issue lists of the trade: common practice, rules named from memory.
"""

from __future__ import annotations

import io
from pathlib import Path

import polars as pl
import pytest
from rich.console import Console

from pipelines.commands.program import ProgramOutcome
from pipelines.commands.program_summary import show_program
from rightsize.evidence.cautions import CAUTIONS
from rightsize.evidence.visit import checklist
from rightsize.recommend.program.choose_program import choose_program
from tests.unit.evidence.sites import recommendation, site

SAID = " ".join(f"{lead} {text}" for lead, text in CAUTIONS)
PAGE = Path(__file__).parents[3] / "rightsize/handbook/how_a_meter_is_chosen.md"


@pytest.mark.parametrize(
    "duty",
    [
        "Local code",
        "29 CFR 1910.146",
        "control traffic",
        "call 811",
        "29 CFR 1926.652",
        "lock out",
        "before the meter is lifted",
        "Lead, galvanized or unknown service line: lifting a meter disturbs it. Notify the "
        "customer first, flush afterward",
        "NSF/ANSI/CAN 61,",
        "NSF/ANSI/CAN 372",
        "relieve it before",
        "refill slowly",
        "Where no valve holds, stop",
        "Flush and disinfect",
        "an expansion tank or relief",
        "asbestos",
        "authority having jurisdiction",
        "need notice and a bypass",
    ],
)
def test_every_duty_is_said(duty: str) -> None:
    assert duty in SAID


def test_the_handbook_lists_every_caution() -> None:
    page = " ".join(PAGE.read_text(encoding="utf-8").split())
    assert [lead for lead, text in CAUTIONS if f"**{lead}** {text}" not in page] == []


def steps(**changes: object) -> str:
    return " ".join(c.what for c in checklist(site(recommendation=recommendation(**changes))))


def test_the_jumper_and_the_line_come_before_the_reading_of_the_register() -> None:
    order = steps(action="change")
    assert order.index("service line material") < order.index("bonding jumper")
    assert order.index("bonding jumper") < order.index("register reading")


def test_a_fire_line_is_not_opened() -> None:
    assert "bonding jumper" not in steps(service_kind="fire")


def test_a_site_to_log_first_is_not_opened_for_the_log() -> None:
    assert "not lifted for a log" in steps(verdict="fits", action="log_first")
    assert "not lifted for a log" not in steps(action="change")


def outcome(options: pl.DataFrame) -> str:
    chosen = choose_program(options, budget_usd=1e6)
    out = io.StringIO()
    show_program(
        ProgramOutcome(program=chosen, options=options, overrun_left_out=options.clear()),
        Console(file=out, width=120),
    )
    return " ".join(out.getvalue().split())


OPTION = {
    "account_id": "A-1", "meter_id": "M-1", "customer_name": None, "area": "north",
    "customer_class": "office", "verdict": "oversized", "installed_type": "turbine",
    "installed_size_in": 3.0, "meter_type": "turbine", "size_in": 2.0, "grade": "standard",
    "change_cost_usd": 1000.0, "net_present_value_usd": 5000.0,
    "net_benefit_usd_per_year": 500.0, "net_benefit_low_usd_per_year": 100.0,
    "net_benefit_high_usd_per_year": 900.0, "odds_of_benefit": 0.9, "odds_of_fit": 0.95,
    "rank": 1, "is_recommended": True,
}  # fmt: skip


def test_a_program_ends_with_every_caution() -> None:
    options = pl.DataFrame([OPTION], schema_overrides={"customer_name": pl.String})
    told = outcome(options)
    assert "Before any meter is lifted:" in told
    assert [lead for lead, text in CAUTIONS if f"- {lead} {text}" not in told] == []


def test_a_program_without_a_change_has_none_to_heed() -> None:
    options = pl.DataFrame([OPTION], schema_overrides={"customer_name": pl.String})
    costly = options.with_columns(change_cost_usd=2e6)
    assert "Before any meter is lifted" not in outcome(costly)
