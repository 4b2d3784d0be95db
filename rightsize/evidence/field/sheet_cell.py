"""Text in cells of CSV files: what a spreadsheet would run as a formula is marked as text.

An apostrophe before such text is common practice; spreadsheets show the text without it.
"""

from __future__ import annotations

from typing import Final

_MARK: Final = "'"
# the last four are the full-width forms of the first
_FORMULA_STARTS: Final = tuple("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20")


def safe_cell(text: str) -> str:
    """Text that a spreadsheet does not run as a formula."""
    return f"{_MARK}{text}" if _is_formula(text) else text


def read_cell(text: str) -> str:
    """The text that `safe_cell` was given, if it did not begin with an apostrophe."""
    is_marked = text.startswith(_MARK) and _is_formula(text[1:])
    return text[1:] if is_marked else text


def _is_formula(text: str) -> bool:
    return text.lstrip(" ").startswith(_FORMULA_STARTS)
