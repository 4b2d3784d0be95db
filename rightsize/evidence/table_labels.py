"""Cells of a page's tables told by their column's heading: so a phone shows rows as cards."""

from __future__ import annotations

import re
from typing import Final

_TABLE: Final = re.compile(r"<table[^>]*>.*?</table>", re.DOTALL)
_HEAD: Final = re.compile(r"<th scope=\"col\"[^>]*>(.*?)</th>", re.DOTALL)
_BODY: Final = re.compile(r"(<tbody>)(.*?)(</tbody>)", re.DOTALL)
_ROW: Final = re.compile(r"<tr[^>]*>.*?</tr>", re.DOTALL)
_CELL: Final = re.compile(r"<(td|th scope=\"row\")(?=[ >])")
_TAG: Final = re.compile(r"<[^>]*>")


def with_labels(page: str) -> str:
    """The page with `data-label`, the column's heading, on each cell of its tables.

    Pages are our own: cells hold no table, and every value in them is escaped.
    """
    return _TABLE.sub(lambda table: _labelled(table.group()), page)


def _labelled(table: str) -> str:
    heads = [_TAG.sub("", head).strip() for head in _HEAD.findall(table)]

    def row(found: re.Match[str]) -> str:
        names = iter(heads)
        return _CELL.sub(
            lambda cell: f'<{cell.group(1)} data-label="{_attribute(next(names, ""))}"',
            found.group(),
        )

    return _BODY.sub(lambda b: b.group(1) + _ROW.sub(row, b.group(2)) + b.group(3), table)


def _attribute(text: str) -> str:
    return text.replace('"', "&quot;")
