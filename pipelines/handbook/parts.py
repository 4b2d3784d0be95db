"""Generated parts of a hand-written handbook page, each between two markers."""

from __future__ import annotations

import re
from collections.abc import Mapping


def with_parts(page: str, parts: Mapping[str, str]) -> str:
    """The page with each named part rewritten.

    Raises
    ------
    ValueError
        If a part does not have exactly one place: `<!-- name: begin -->` and
        `<!-- name: end -->`.
    """
    for name, text in parts.items():
        begin, end = f"<!-- {name}: begin -->", f"<!-- {name}: end -->"
        block = f"{begin}\n{text}\n{end}"
        escaped = block.replace("\\", r"\\")  # literal text, not a template
        page, found = re.subn(f"{begin}.*?{end}", escaped, page, flags=re.DOTALL)
        if found != 1:
            raise ValueError(f"the page has {found} places for the table {name}")
    return page
