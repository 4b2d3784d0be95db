"""The table of money by year on a site page."""

from __future__ import annotations

from typing import Any

import pytest

from rightsize.contracts.money import YEAR_MONEY
from rightsize.evidence.page import site_page
from rightsize.evidence.tables.money_by_year import money_by_year
from tests.unit.evidence.sites import recommendation, site


def years(count: int = 15, **changes: Any) -> tuple[dict[str, Any], ...]:
    """PLANTED: 1,100 USD at the start, then 200 USD of use and a leak of 300, 200, 100."""
    none = {c.name: 0.0 for c in YEAR_MONEY.columns if c.name.endswith("_usd")}
    rows: list[dict[str, Any]] = [
        {**none, "year": 0, "change_cost_usd": -1100.0, "net_usd": -1100.0}
    ]
    for year in range(1, count + 1):
        leak = {1: 300.0, 2: 200.0}.get(year, 100.0)
        gain = {
            "use_gain_usd": 200.0,
            "steady_gain_usd": leak,
            "steady_gain_low_usd": leak / 2,
            "steady_gain_high_usd": leak * 2,
            "net_usd": 200.0 + leak,
        }
        rows.append({**none, "year": year, **gain, **changes})
    return tuple(rows)


def test_the_years_shown_are_the_first_ones_and_the_last():
    table = money_by_year(site(year_money=years()))
    assert table.years == (
        "start", "year 1", "year 2", "year 3", "year 5", "year 10", "year 15",
    )  # fmt: skip
    lines = {line.name: line.values for line in table.lines}
    assert lines["from steady flow that no read shows"][:4] == ("$0", "$300", "$200", "$100")
    assert lines["sum of the year"][0] == "\u2212$1,100"
    assert "wear, leak adjustments, water saved" not in lines  # a line of zeros is left out


def test_the_page_shows_it_and_says_what_is_a_leak():
    row = recommendation(net_benefit_without_leak_usd_per_year=-40.0)
    page = site_page([site(year_money=years(), recommendation=row)])
    assert "Money by year" in page
    assert "$150 to $600 in year 1 and $50 to $200 in year 3" in page
    assert "Repaired at once, the net benefit is \u2212$40 per year." in page


def test_the_page_says_what_the_customer_pays():
    bills = {
        f"{season}_bill_{when}_usd": usd
        for season, pair in (("winter", (80, 90)), ("summer", (200, 230)), ("year", (120, 140)))
        for when, usd in zip(("before", "after"), pair, strict=True)
    }
    charge = {"base_charge_before_usd": 74.0, "base_charge_after_usd": 42.0}
    page = site_page([site(year_money=years(), bill_impact={**bills, **charge})])
    assert "from $80 to $90 in winter and $200 to $230 in summer" in page
    assert "base charge from $74 to $42" in page


@pytest.mark.parametrize("rows", [(), years(steady_gain_usd=0.0)])
def test_nothing_is_said_of_leaks_where_there_is_none(rows):
    page = site_page([site(year_money=rows)])
    assert ("Money by year" in page) is bool(rows)
    assert "Steady flow brings" not in page
