"""File names of pages are safe for any account and never shared."""

from __future__ import annotations

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


def test_names_that_differ_in_case_stay_apart():
    assert page_file("A-1").lower() != page_file("a-1").lower()
