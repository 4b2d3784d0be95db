"""A work order says where, which meter, how it is set, what to confirm, and every caution."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from rightsize.evidence.cautions import CAUTIONS
from rightsize.evidence.field.words import TITLE
from rightsize.evidence.field.work_order import flags, work_order_page
from tests.unit.evidence.field.visits import order
from tests.unit.evidence.sites import meter, recommendation, site
from tests.unit.evidence.test_page import HOSTILE, Outline, tag_names


def words(page: str) -> str:
    return Outline(page).words.replace("\u202f", " ")


@pytest.mark.parametrize("kind", TITLE)
def test_every_kind_has_a_page_with_every_caution(kind) -> None:
    said = words(work_order_page(order(kind=kind)))
    assert TITLE[kind] in said
    for lead, _ in CAUTIONS:
        assert lead in said
    assert "Planning aid, not a design" in said
    assert "Expected gain of the better decision $900 for $150" in said
    assert "week of 2026-02-02" in re.sub(r"\s+", " ", said)


def test_a_flow_log_names_samples_pulses_and_what_comes_back() -> None:
    said = words(work_order_page(order()))
    # HAND: peak 60 gpm, range to 80. 5 % of 60 gpm over 10 s is 0.5 gal; 1.5 x 80 gpm is 2 gal
    # a second, at most 10 pulses of it: 0.2 gal.
    assert "Pulse constant that serves: 0.2 gal to 0.5 gal a pulse" in said
    assert "Samples of 10 s" in said
    assert "# step_s: 10" in said
    assert "at,pulses" in said


def test_a_meter_whose_pulses_cannot_serve_both_ends_says_so() -> None:
    row = recommendation(peak_10s_gpm=10.0, peak_10s_high_gpm=80.0)
    said = words(work_order_page(order(site(bands=(), year=None, recommendation=row))))
    assert "use a pickup and logger made for it" in said


def test_a_night_log_says_below_what_flow_a_clamp_on_meter_is_doubtful() -> None:
    said = words(work_order_page(order(kind="night_logging")))
    # HAND: 0.1 ft/s in a 2 in pipe: 2.448 x 4 x 0.1 = 0.979 gpm
    assert "Below 0.979 gpm the velocity in a 2 in pipe" in said
    assert "at,flow" in said
    assert "Pulse constant" not in said


def test_a_meter_test_has_its_flows_and_volumes() -> None:
    small = meter("displacement", 0.625, 0.125, 20.0)
    row = recommendation(installed_type="displacement", installed_size_in=0.625)
    place = site(bands=(), year=None, recommendation=row, installed=small)
    said = words(work_order_page(order(place, kind="accuracy_test")))
    for flow, draft in (("0.25 gpm", "5 gal"), ("2 gpm", "10 gal"), ("15 gpm", "50 gal")):
        assert re.search(rf"{flow}\s+{draft}", said)  # STANDARD MEM-M: NIST HB 44
    assert "bonding jumper" in said


def test_a_log_opens_no_pipe() -> None:
    said = words(work_order_page(order()))
    assert "bonding jumper across the meter before it is lifted" not in said
    assert "the meter is not lifted" in said


def test_an_address_is_there_only_where_it_is_held() -> None:
    held = site(bands=(), year=None, listed={"service_address": "2 Wrenbridge Avenue"})
    assert "2 Wrenbridge Avenue" in words(work_order_page(order(held)))
    assert "Wrenbridge" not in words(work_order_page(order()))


@pytest.mark.parametrize("name", HOSTILE)
@pytest.mark.parametrize("field", ["account_id", "customer_name", "meter_id"])
def test_a_hostile_name_adds_no_tag(name, field) -> None:
    def page(text: str) -> str:
        row = recommendation(**{field: text})
        return work_order_page(
            order(site(bands=(), year=None, recommendation=row), reason=text)
        )

    assert tag_names(page(name)) == tag_names(page("plain"))


def test_a_page_opens_nothing_else() -> None:
    for tag, attributes in Outline(work_order_page(order())).tags:
        assert tag not in ("script", "link", "iframe", "object", "base", "img", "a")
        assert not any(name.startswith("on") for name in attributes)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"recommendation": recommendation(service_kind="fire")}, "fire or combined service"),
        ({"findings": ({"code": "verify_fire_service", "severity": "warning", "message": ""},)},
         "fire arrangement not recorded"),
        ({"listed": {"is_critical": True}}, "critical customer"),
        ({"listed": {"in_street": "yes"}}, "in the street: traffic control"),
        ({"findings": ({"code": "stopped_meter", "severity": "serious", "message": ""},)},
         "registers nothing"),
    ],
)  # fmt: skip
def test_flags_both_ways(change, said) -> None:
    assert said in flags(replace(site(), **change))
    assert flags(site()) == []


def test_metric_pages_say_metric_units() -> None:
    held = site(bands=(), year=None, units="metric", listed={"service_line_in": 2.0})
    said = words(work_order_page(order(held)))
    assert "m³/h" in said
    assert "gpm" not in said
