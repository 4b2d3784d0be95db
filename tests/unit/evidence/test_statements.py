"""Figures and sums at the top of a site page."""

from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rightsize.evidence.headline import headline
from rightsize.evidence.page import site_page
from rightsize.evidence.statements import figures, in_service_since, net_sum
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
        ("net benefit", "$1,100"),
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
    assert "probability of overload" in names
    assert "net benefit a year" not in names
    loss = shown[names.index("head loss at the peak")]
    assert loss.value.replace("\u202f", " ") == "31 psi"
    assert "3 psi" in loss.note.replace("\u202f", " ")


@pytest.mark.parametrize(
    ("since", "said"),
    [
        (dt.date(2009, 5, 1), "installed 2009-05-01 (17 years)"),
        (dt.date(2025, 1, 1), "installed 2025-01-01 (1.0 years)"),
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


def said(code: str | None = None, **changes: object) -> str:
    """First line of a page with one finding."""
    found = {"severity": "warning", "code": code, "message": "m"} if code else None
    shown = site(findings=(found,) if found else (), recommendation=recommendation(**changes))
    return headline(shown).replace("\u202f", " ").replace("\u00a0", " ")


def test_stopped_slow_and_undersized_meters_each_have_their_own_first_line() -> None:
    stopped = said("stopped_meter", action="refer")
    slow = said("slow_meter")
    over = said(
        verdict="undersized", peak_10s_gpm=500.0, installed_smoc_gpm=435.0,
        sustained_60min_gpm=20.0, installed_continuous_gpm=350.0,
    )  # fmt: skip
    plain = said()
    assert stopped.startswith("First find out why the 3 in turbine registers nothing; ")
    told = "Test the 3 in turbine first: its registration falls steadily against its class."
    assert slow == f"{told} {plain}"
    assert over.startswith("The 3 in turbine is undersized (peak flow 500 gpm, safe maximum")
    assert over.endswith("replace it with a 2 in electromagnetic.")
    assert plain.startswith("Replace the 3 in turbine with")


def test_an_undersized_meter_names_the_flow_that_overruns_it_most() -> None:
    line = said(
        verdict="undersized", peak_10s_gpm=400.0, installed_smoc_gpm=435.0,
        sustained_60min_gpm=300.0, installed_continuous_gpm=240.0,
    )  # fmt: skip
    assert "sustained flow 300 gpm, maximum continuous flow 240 gpm" in line


def test_an_undersized_meter_for_review_is_not_to_be_replaced_at_once() -> None:
    line = said(verdict="undersized", action="refer")
    assert "engineering review" in line
    assert "replace it" not in line


def test_a_meter_that_has_stopped_comes_before_its_other_findings() -> None:
    found = tuple(
        {"severity": "warning", "code": code, "message": "m"}
        for code in ("slow_meter", "verify_fire_service", "stopped_meter")
    )
    for verdict in ("undersized", "oversized", "fits"):
        row = recommendation(verdict=verdict, action="refer")
        line = headline(site(findings=found, recommendation=row))
        assert line.startswith("First find out why")


def test_a_stopped_meter_without_a_verdict_is_for_review() -> None:
    assert said("stopped_meter", verdict="not_assessed", action="refer").endswith(
        "registers nothing; engineering review."
    )
