"""Pages without names, and pages with codes, say no more of the customer than they may."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rightsize.evidence.page import site_page
from rightsize.evidence.privacy import as_shown, code_of
from tests.unit.evidence.sites import recommendation, site

SALT = b"s" * 32
NAME, ADDRESS = "Harrowmere Court", "12 Weir Lane"


def evidence(**changes):
    row = recommendation(
        account_id="A-10003",
        meter_id="M-55501",
        customer_name=NAME,
        service_address=ADDRESS,
        reason="Account A-10003 draws 60 gpm; meter M-55501 is too large.",
    )
    finding = {"severity": "info", "code": "gap_volume", "message": "meter M-55501 has gaps"}
    return site(
        recommendation=row,
        findings=(finding,),
        listed={"service_address": ADDRESS, "customer_name": NAME},
        **changes,
    )


def test_a_page_says_name_and_address_by_default():
    page = site_page([as_shown(evidence(), "names")])
    assert NAME in page
    assert ADDRESS in page


def test_a_page_without_names_still_says_the_account():
    page = site_page([as_shown(evidence(), "accounts")])
    assert NAME not in page
    assert ADDRESS not in page
    assert "A-10003" in page
    assert "M-55501" in page


def test_a_page_with_codes_says_neither_account_nor_meter_nor_file():
    page = site_page([as_shown(evidence(), "codes", SALT)])
    for word in (NAME, ADDRESS, "A-10003", "M-55501", "reads.csv"):
        assert word not in page
    assert code_of("A-10003", SALT) in page
    assert code_of("M-55501", SALT) in page


def test_short_accounts_do_not_spoil_figures():
    row = recommendation(account_id="6", meter_id="60", reason="60 gpm at account 6")
    coded = as_shown(site(recommendation=row), "codes", SALT).recommendation
    assert coded["reason"] == "60 gpm at account 6"
    assert coded["account_id"] == code_of("6", SALT)


@pytest.mark.parametrize("shown", ["names", "accounts", "codes"])
def test_figures_are_the_same_however_the_customer_is_shown(shown):
    plain, other = evidence(), as_shown(evidence(), shown, SALT)
    numbers = {k: v for k, v in plain.recommendation.items() if not isinstance(v, str)}
    assert {k: other.recommendation[k] for k in numbers} == numbers


@given(st.text(min_size=1), st.text(min_size=1))
def test_a_code_is_of_one_name_and_one_salt(one, other):
    assert re.fullmatch(r"X[0-9A-F]{16}", code_of(one, SALT))
    assert (code_of(one, SALT) == code_of(other, SALT)) is (one == other)
    assert code_of(one, SALT) != code_of(one, b"t" * 32)
