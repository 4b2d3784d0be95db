"""The PDF of a site page: two sheets, made without a browser; skipped without its extra."""

from __future__ import annotations

import re

import pytest

from pipelines.pages.evidence import write_site_pages
from rightsize.errors import ConfigError
from tests.pipelines.pages.evidence_fleet import make_fleet


@pytest.mark.heavy  # the PDF writer takes seconds a page
def test_a_pdf_lies_beside_the_page_on_at_most_two_sheets(tmp_path):
    pytest.importorskip("weasyprint", reason="needs the extra `pdf` and Pango")
    fleet = make_fleet(tmp_path, accounts=20)
    (page,) = write_site_pages(
        fleet.loaded, [fleet.accounts[8]], pdf=True, folder=tmp_path / "out", workers=1
    )
    content = page.with_suffix(".pdf").read_bytes()
    assert content.startswith(b"%PDF")
    assert b"/Image" in content  # the calendar of the year is there
    sheets = [int(n) for n in re.findall(rb"/Count (\d+)", content)]
    assert not sheets or max(sheets) <= 2


def test_without_the_extra_the_way_out_is_said(tmp_path, monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "weasyprint", None)
    fleet = make_fleet(tmp_path, accounts=20)
    with pytest.raises(ConfigError, match="needs the extra `pdf`"):
        write_site_pages(fleet.loaded, [fleet.accounts[8]], pdf=True, folder=tmp_path / "out")
