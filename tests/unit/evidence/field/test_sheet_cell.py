"""Cells that a spreadsheet shows as they are."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from rightsize.evidence.field.sheet_cell import read_cell, safe_cell

TEXTS = st.text(alphabet=st.sampled_from("=+-@'\t\r\n a1\uff1d\uff0b\uff0d\uff20"))


@given(st.text() | TEXTS)
def test_what_was_made_safe_reads_as_it_was(text: str):
    if not text.startswith("'"):
        assert read_cell(safe_cell(text)) == text
    assert safe_cell(safe_cell(text)) == safe_cell(text)


@given(TEXTS)
def test_no_safe_cell_begins_as_a_formula_does(text: str):
    """OWASP, CSV injection: cells that begin with = + - @, tab, return or full-width forms."""
    assert (
        not safe_cell(text).lstrip(" ").startswith(tuple("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20"))
    )
