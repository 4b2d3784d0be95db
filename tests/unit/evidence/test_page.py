"""A site page says what the tables say, escapes what data says, and opens nothing else."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pytest

from rightsize.evidence.cautions import CAUTIONS
from rightsize.evidence.page import site_page
from tests.unit.evidence.sites import recommendation, site

HOSTILE = (
    "<script>alert(1)</script>",
    "\"'><img src=x onerror=alert(1)>",
    "</style><script>alert(1)</script>",
    "{{ 7 * 7 }}",
    "../../etc/passwd",
    "a\u202eb\u2066c",
    "N" * 300,
)


class Outline(HTMLParser):
    """The tags and attributes of a page, in order, and its text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.text.append(data)

    @property
    def words(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.text))


def drawn_bare(**changes):
    """The site without pictures, which take most of the time."""
    return site(bands=(), year=None, **changes)


def tag_names(page: str) -> list[str]:
    return [tag for tag, _ in Outline(page).tags]


def test_a_stopped_meter_is_looked_at_before_it_is_changed():
    finding = {
        "code": "stopped_meter",
        "severity": "serious",
        "evidence": "{}",
        "message": "no registration since 2025-11-20: stopped meter, closed account?",
    }
    row = recommendation(action="refer")
    words = Outline(site_page([drawn_bare(recommendation=row, findings=(finding,))])).words
    assert "First find out why the 3 in turbine registers nothing" in words.replace(
        "\u202f", " "
    )
    assert "account closed, valve shut, bypass open" in words
    assert "account closed" not in Outline(site_page([drawn_bare()])).words


def test_the_top_says_verdict_action_gain_range_and_odds():
    words = Outline(site_page([site()])).words
    for said in (
        "Replace the 3 in turbine with a 2 in electromagnetic: the turbine is",
        "+11.5 points",
        "6.0 to 17.0",
        "120,000 gal",
        "$1,000",
        "$400 to $1,600",
        "93 %",
    ):
        assert said in words.replace("\u202f", " "), said


@pytest.mark.parametrize("lead", [lead for lead, _ in CAUTIONS])
@pytest.mark.parametrize("verdict", ["wrong_type", "not_assessed", "log_first"])
def test_every_page_carries_every_caution(lead, verdict):
    asked = {"verdict": "fits", "action": "log_first"} if verdict == "log_first" else {}
    shown = drawn_bare(recommendation=recommendation(**({"verdict": verdict} | asked)))
    assert lead in Outline(site_page([shown])).words


def test_the_confined_space_rule_is_named():
    assert "29 CFR 1910.146" in site_page([site()])


@pytest.mark.parametrize("name", HOSTILE)
@pytest.mark.parametrize("field", ["account_id", "customer_name", "area", "meter_id", "reason"])
def test_a_hostile_name_adds_no_tag(name, field):
    plain = site_page([drawn_bare(recommendation=recommendation(**{field: "plain"}))])
    hostile = site_page([drawn_bare(recommendation=recommendation(**{field: name}))])
    assert tag_names(hostile) == tag_names(plain)


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_finding_or_address_adds_no_tag(name):
    def page(text: str) -> str:
        finding = {"severity": "info", "code": "c", "message": text}
        return site_page([drawn_bare(findings=(finding,), listed={"service_address": text})])

    assert tag_names(page(name)) == tag_names(page("plain"))


def test_a_page_has_no_script_and_no_address_but_its_own_pictures():
    page = site_page([site()])
    for tag, attributes in Outline(page).tags:
        assert tag not in ("script", "link", "iframe", "object", "base")
        for name, value in attributes.items():
            assert not name.startswith("on")
            if name in ("src", "href", "xlink:href"):
                assert (value or "").startswith("data:image/png;base64,")
    assert "url(http" not in page
    assert "@import" not in page


def test_an_account_with_two_meters_shows_both():
    two = [site(), site(recommendation=recommendation(meter_id="M-2"))]
    page = site_page(two)
    assert page.count("<article") == 2
    assert page.count("<h1>") == 1


def test_a_fire_line_is_left_alone_and_says_so():
    fire = site(
        recommendation=recommendation(
            verdict="not_assessed",
            action="refer",
            service_kind="fire",
            recommended_type=None,
            recommended_size_in=None,
            recommended_grade=None,
            reason="fire service",
            accuracy_gain_pct=None,
        ),
        bands=(),
        candidates=(),
        profile=None,
        recommended=None,
    )
    words = Outline(site_page([fire])).words
    assert "never resized from use" in words
    assert "net benefit" not in words


def test_a_verdict_that_is_not_settled_says_what_holds_meanwhile():
    fresh = recommendation(settled_verdict="fits", settled_action="keep")
    assert (
        "settled verdict stays fits (keep)"
        in Outline(site_page([site(recommendation=fresh)])).words
    )


def test_a_meter_without_reads_still_has_a_page_with_the_checklist():
    bare = site(
        recommendation=recommendation(verdict="not_assessed", reason="no accepted read"),
        bands=(),
        candidates=(),
        profile=None,
        year=None,
        files=(),
    )
    words = Outline(site_page([bare])).words
    assert "no accepted read" in words
    assert "register reading" in words
    assert "No file has reads" in words


def test_a_metric_utility_reads_metric_units():
    words = Outline(site_page([site(units="metric")])).words
    assert "m³" in words
    assert "bar" in words
    assert "registered at 0.05 m³/h" in words.replace("\u202f", " ")
    assert " gpm" not in words.replace("\u202f", " ").replace("A 2 in", "")


def test_the_rivals_say_why_not():
    words = Outline(site_page([site()])).words
    assert (
        "peak flow may exceed its SMOC; head loss exceeds the available pressure drop" in words
    )
    assert "net benefit $300 per year lower" in words
