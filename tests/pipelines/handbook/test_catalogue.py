"""The handbook's page on meters says what the catalogue says."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import pytest

from pipelines.handbook.catalogue import (
    HANDBOOK,
    PAGE,
    PICTURES,
    fingerprint,
    page,
    pictures,
    write,
)
from rightsize.meters.catalogue import Catalogue


def test_the_page_is_that_of_the_shipped_catalogue(shipped: Catalogue) -> None:
    written = (HANDBOOK / PAGE).read_text(encoding="utf-8")
    assert written == page(shipped), "run: python -m pipelines.handbook.catalogue"


def test_the_pictures_are_those_of_the_shipped_catalogue(shipped: Catalogue) -> None:
    charts = pictures(shipped)
    on_disk = {p.name for p in (HANDBOOK / PICTURES).glob("*.svg")}
    assert on_disk == set(charts)
    for name, chart in charts.items():
        text = (HANDBOOK / PICTURES / name).read_text(encoding="utf-8")
        assert f"<!-- {fingerprint(chart)} -->" in text, name
        assert ElementTree.fromstring(text).tag.endswith("svg")


def test_a_changed_curve_is_seen(shipped: Catalogue) -> None:
    first = shipped.meters[0]
    changed = replace(first, registration=((first.starting_gpm, 0.4), *first.registration[1:]))
    other = Catalogue((changed, *shipped.meters[1:]), shipped.unrated)
    assert page(other) != page(shipped)
    assert fingerprint(pictures(other)["displacement.svg"]) != fingerprint(
        pictures(shipped)["displacement.svg"]
    )


def test_every_picture_and_meter_of_the_page_exists(shipped: Catalogue) -> None:
    text = (HANDBOOK / PAGE).read_text(encoding="utf-8")
    for link in re.findall(r"\]\((.+?\.svg)\)", text):
        assert (HANDBOOK / link).is_file(), link
    for kind in {m.meter_type for m in shipped.meters}:
        assert f"## {kind.replace('_', ' ').capitalize()}" in text


@pytest.mark.heavy_ci
@pytest.mark.heavy
def test_the_generator_writes_what_lies_in_the_handbook(tmp_path: Path) -> None:
    for path in write(tmp_path):
        lies = HANDBOOK / path.relative_to(tmp_path)
        assert path.read_text(encoding="utf-8") == lies.read_text(encoding="utf-8"), path.name
