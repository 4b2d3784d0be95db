"""Figures and sums at the top of a site page."""

from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rightsize.evidence.page import site_page
from rightsize.evidence.statements import figures, headline, in_service_since, net_sum
from rightsize.evidence.visit import checklist
from tests.unit.evidence.sites import candidate, recommendation, site

MONEY = st.floats(-2e4, 2e4)


def dollars(text: str) -> int:
    """The whole dollars of a text such as -$1 200, whatever its signs and spaces."""
    digits = int("".join(c for c in text if c.isdigit()))
    return -digits if text.startswith(("\u2212", "(\u2212")) else digits


@given(revenue=MONEY, renewal=MONEY, charge=MONEY, cost=MONEY)
def test_the_terms_add_up_to_the_net_benefit_as_shown(
    revenue: float, renewal: float, charge: float, cost: float
) -> None:
    """LAW: whole dollars on the page, and their sum is the net benefit on the page."""
    net = revenue - renewal + min(charge, 0) - cost
    row = recommendation(
        revenue_gain_usd_per_year=revenue,
        renewal_gain_usd_per_year=renewal,
        fixed_charge_change_usd_per_year=charge,
        annual_cost_usd_per_year=cost,
        net_benefit_usd_per_year=net,
    )
    terms = net_sum(site(recommendation=row))
    total = next(k for k, t in enumerate(terms) if t.is_total)
    assert sum(dollars(t.value) for t in terms[:total]) == dollars(terms[total].value)
    assert dollars(terms[total].value) == round(net)
    (shown,) = (dollars(t.value) for t in terms if t.name == "cost of the change")
    assert abs(shown + cost) <= 2.5


def test_a_charge_gained_is_told_and_not_counted() -> None:
    row = recommendation(fixed_charge_change_usd_per_year=60.0, net_benefit_usd_per_year=1100.0)
    terms = [
        (t.name, t.value.replace("\u202f", " ")) for t in net_sum(site(recommendation=row))
    ]
    assert terms[-2:] == [
        ("net benefit", "$1 100"),
        ("(base charge gained, not counted:", "$60)"),
    ]


def test_no_sum_stands_where_nothing_is_changed() -> None:
    kept = recommendation(recommended_type="turbine", recommended_size_in=3.0)
    assert net_sum(site(recommendation=kept)) == ()


def test_an_undersized_meter_shows_overload_and_head_loss_instead_of_money() -> None:
    row = recommendation(verdict="undersized", head_loss_at_peak_psi=3.0)
    here = candidate("turbine", 3.0, is_installed=True, head_loss_at_peak_psi=31.0)
    shown = figures(site(recommendation=row, candidates=(here,)))
    names = [f.name for f in shown]
    assert "odds of overload" in names
    assert "net benefit a year" not in names
    loss = shown[names.index("head lost at the peak")]
    assert loss.value.replace("\u202f", " ") == "31 psi"
    assert "3 psi" in loss.note.replace("\u202f", " ")


@pytest.mark.parametrize(
    ("since", "said"),
    [
        (dt.date(2009, 5, 1), "in since 2009-05-01 (17 years)"),
        (dt.date(2025, 1, 1), "in since 2025-01-01 (1.0 years)"),
        (None, ""),
    ],
)
def test_the_head_tells_the_meters_age(since: dt.date | None, said: str) -> None:
    shown = site(listed={"installed_on": since}, bands=(), year=None)
    assert in_service_since(shown) == said
    assert not said or said in site_page([shown])


def test_a_line_that_may_carry_fire_flow_is_the_first_thing_said() -> None:
    fire = {
        "severity": "warning",
        "code": "verify_fire_service",
        "message": "verify the fire service before any change",
    }
    held = site(findings=(fire,), recommendation=recommendation(action="refer"))
    assert headline(held).startswith("Verify the fire service before any change of the ")
    assert "no fire arrangement is recorded" in headline(held)
    free = site(findings=(), recommendation=recommendation())
    assert "fire" not in headline(free)
    assert any("Trace it" in c.what for c in checklist(held))
    assert not any("Trace it" in c.what for c in checklist(free))
