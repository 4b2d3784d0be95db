"""Pages of pictures that were drawn before are the pages that would be drawn."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipelines.pages.fleet_pages import write_fleet_pages
from pipelines.store.checksum import sealed_json, unsealed_json
from rightsize.evidence.pictures import picture
from rightsize.evidence.pictures.picture import Compiled, pictures_kept
from tests.pipelines.pages.evidence_fleet import make_fleet


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list[dict]:
    """What the library is asked to draw."""
    seen: list[dict] = []
    draw = picture.vl_convert.vega_to_svg

    def counted(vega: dict) -> str:
        seen.append(vega)
        return draw(vega)

    monkeypatch.setattr(picture.vl_convert, "vega_to_svg", counted)
    return seen


def pages_of(fleet) -> dict[str, bytes]:
    write_fleet_pages(fleet.workspace, loaded=fleet.loaded, site_pages=2)
    folder = fleet.workspace.published / "pages"
    return {p.name: p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_the_same_pages_are_drawn_once(tmp_path: Path, drawn: list[dict]) -> None:
    fleet = make_fleet(tmp_path, accounts=20)
    kept = fleet.workspace.pictures
    first = pages_of(fleet)
    assert drawn
    assert sum(b"<svg" in page for page in first.values()) > 2

    drawn.clear()
    held = unsealed_json(kept.read_text())
    kept.write_text(sealed_json({**held, "of a site that is no longer shown": "<svg>"}))
    assert pages_of(fleet) == first
    assert not drawn
    assert unsealed_json(kept.read_text()) == held, "what no page shows is not kept"

    content = bytearray(kept.read_bytes())
    content[len(content) // 2] ^= 1
    kept.write_bytes(content)
    assert pages_of(fleet) == first
    assert drawn, "a damaged file is not used"


def test_other_rows_are_another_picture(drawn: list[dict]) -> None:
    mark = {
        "type": "rule",
        "from": {"data": "rows"},
        "encode": {"update": {"x": {"field": "x"}}},
    }
    chart = Compiled(
        {"width": 9, "height": 9, "data": [{"name": "rows"}], "marks": [mark]},
        frozenset({"rows"}),
    )
    kept: dict[str, str] = {}
    with pictures_kept(kept):
        one, other, again = (
            chart.svg({"rows": [{"x": x}]}, name="a", label="b") for x in (1, 2, 1)
        )
    assert one == again != other
    assert len(drawn) == len(kept) == 2
    assert chart.svg({"rows": [{"x": 1}]}, name="a", label="b") == one
    assert len(drawn) == 3, "without pictures kept each is drawn"
