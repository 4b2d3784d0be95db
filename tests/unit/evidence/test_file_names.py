"""File names of pages are safe for any account and never shared."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rightsize.evidence.file_names import page_file

SAFE = set("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789._-~")


def test_a_plain_account_keeps_its_name():
    assert page_file("A-10001") == "site-A-10001.html"


@given(st.text(max_size=400))
def test_any_account_gives_a_safe_and_short_name(account):
    name = page_file(account)
    assert set(name) <= SAFE
    assert ".." not in name
    assert len(name) <= 100
    assert name.startswith("site-")
    assert name.endswith(".html")


@given(st.text(max_size=40), st.text(max_size=40))
def test_two_accounts_never_share_a_name_even_where_case_is_not_told(one, two):
    if one != two:
        assert page_file(one).lower() != page_file(two).lower()


@pytest.mark.parametrize(
    "alike",
    [
        ("\u00e9", "e\u0301"),  # one letter, composed and decomposed
        ("\ufb01", "fi"),  # a ligature, alike under NFKC
        ("\u212a", "K", "k"),  # the Kelvin sign
        ("A-1", "A-1.", "A-1..", "A-1 ", " A-1", "A-1\u00a0"),  # dots and blanks at the end
        ("A/1", "A\\1", "A:1", "A-1", "A\0001"),
        ("CON", "con", "NUL", "nul"),
        ("N" * 60, "N" * 61, "N" * 300, "N" * 301),
        (".", "..", "...", ""),
    ],
)
def test_names_that_a_disk_may_take_for_one_stay_apart(alike):
    names = {unicodedata.normalize("NFKC", page_file(name)).lower() for name in alike}
    assert len(names) == len(alike)
    assert all(len(name.encode()) <= 100 and not name.startswith(".") for name in names)


def test_names_that_differ_in_case_stay_apart():
    assert page_file("A-1").lower() != page_file("a-1").lower()
