"""Every cell of a table is told by its column's heading, and nothing else of a page moves."""

from __future__ import annotations

import re

from rightsize.evidence.page import site_page
from rightsize.evidence.table_labels import with_labels
from tests.unit.evidence.sites import site

TABLE = (
    '<p>td</p><table class="x"><thead><tr><th scope="col">flow</th>'
    '<th scope="col"><span class="key"></span>share "of" time</th></tr></thead>'
    '<tbody><tr><th scope="row">1</th><td class="n">2</td></tr>'
    "<tr><td>3</td><td></td></tr></tbody></table>"
)


def test_cells_carry_the_heading_of_their_column() -> None:
    assert re.findall(r'<(td|th scope="row") data-label="([^"]*)"', with_labels(TABLE)) == [
        ('th scope="row"', "flow"), ("td", "share &quot;of&quot; time"),
        ("td", "flow"), ("td", "share &quot;of&quot; time"),
    ]  # fmt: skip


def test_nothing_else_of_a_page_moves() -> None:
    assert re.sub(r' data-label="[^"]*"', "", with_labels(TABLE)) == TABLE
    page = site_page([site(bands=(), year=None)])
    assert with_labels(re.sub(r' data-label="[^"]*"', "", page)) == page
