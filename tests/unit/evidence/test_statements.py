"""Figures and sums at the top of a site page."""

from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rightsize.evidence.headline import headline
from rightsize.evidence.page import site_page
from rightsize.evidence.quantity import Units
from rightsize.evidence.statements import figures, in_service_since, net_sum
from rightsize.evidence.visit import checklist
from rightsize.meters.catalogue import size_label
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
    (shown,) = (dollars(t.value) for t in terms if "cost of the change" in t.name)
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


def test_a_meter_that_stays_is_praised_no_more_than_it_is_known() -> None:
    """Limit: `odds_of_fit`, as for a new meter."""
    kept = {"verdict": "fits", "action": "keep", "recommended_type": None}
    assert said(**kept, odds_of_undersized=0.1).endswith("it suits this customer's demand.")
    assert said(**kept, odds_of_undersized=0.34).endswith("it is not shown to be too small.")
    rival = {"runner_up_net_benefit_usd_per_year": 112.0, "odds_of_undersized": 0.0}
    assert said(**kept, **rival).endswith("no other meter is shown to be worth a change.")
    worse = {**rival, "runner_up_net_benefit_usd_per_year": -32.0}
    assert said(**kept, **worse).endswith("it suits this customer's demand.")
    slow = said("slow_meter", **kept)
    assert slow.endswith(
        "against its class. If it passes, keep it: it suits this customer's demand."
    )


def test_both_flows_are_named_where_both_overrun_the_meter() -> None:
    row = recommendation(
        verdict="undersized", peak_10s_gpm=44.3, installed_smoc_gpm=30.0,
        sustained_60min_gpm=18.4, installed_continuous_gpm=15.0,
    )  # fmt: skip
    found = tuple(
        {"severity": "warning", "code": code, "message": "m"}
        for code in ("above_smoc", "above_continuous")
    )
    line = headline(site(findings=found, recommendation=row))
    assert "peak flow 44.3" in line
    assert "sustained flow 18.4" in line
    assert "sustained" not in headline(site(findings=found[:1], recommendation=row))


@pytest.mark.parametrize("code", ["suspect_multiplier", "multiplier_at_change"])
def test_volumes_that_look_wrong_by_a_factor_come_before_a_choice(code: str) -> None:
    assert said(code, action="log_first").startswith(
        "Check the multiplier and unit of the 3 in"
    )
    assert "multiplier" not in said("possible_leak", action="log_first")


def test_a_fire_meter_is_called_a_meter() -> None:
    line = said(verdict="not_assessed", action="refer", installed_type="fire_service")
    assert line.startswith("Leave the 3 in fire service meter in place")


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"verdict": "fits", "action": "log_first"}, "not decided"),
        ({"verdict": "fits", "action": "keep"}, "fits"),
        ({"verdict": "fits", "action": "keep", "odds_of_undersized": 0.52}, "may be overrun"),
        ({"verdict": "undersized", "action": "log_first"}, "undersized"),
    ],
)
def test_what_is_to_be_logged_is_not_said_to_fit(changes: dict[str, str], word: str) -> None:
    page = site_page([site(recommendation=recommendation(**changes))])
    assert f"</span>{word}</span>" in page


def test_money_saved_is_not_called_a_cost() -> None:
    row = recommendation(
        revenue_gain_usd_per_year=800.0, fixed_charge_change_usd_per_year=0.0,
        annual_cost_usd_per_year=-28.0, net_benefit_usd_per_year=828.0,
    )  # fmt: skip
    names = [t.name for t in net_sum(site(recommendation=row))]
    assert "O&M saved, less the cost of the change" in names
    assert "cost of the change" not in names


@pytest.mark.parametrize("size_in", [0.5, 0.625, 0.75, 1, 1.5, 2, 2.5, 3, 8, 12])
def test_the_first_line_and_the_reason_say_a_size_alike(size_in: float) -> None:
    shown = Units("us").size(size_in).replace("\u202f", " ").replace("\u2009", " ")
    assert shown == size_label(size_in, units="us")
    assert "." not in shown
