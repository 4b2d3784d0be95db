"""The drawings that are shipped are what the charts compile to."""

from __future__ import annotations

import json
import subprocess
import sys

from pipelines.handbook.drawings import FOLDER, as_text, drawings
from rightsize.evidence.pictures.picture import _shipped


def test_shipped_drawings_are_those_of_the_charts():
    """Run `python -m pipelines.handbook.drawings` where this fails."""
    made = {f"{name}.json": as_text(vega) for name, vega in drawings()}
    held = {path.name: path.read_text(encoding="utf-8") for path in FOLDER.iterdir()}
    assert set(made) == set(held)
    for name, text in made.items():
        assert json.loads(held[name]) == json.loads(text), name


def test_a_page_needs_no_chart_library():
    """Altair takes a third of a second to import."""
    said = "import sys, rightsize.evidence.page; print('altair' in sys.modules)"
    told = subprocess.run(
        [sys.executable, "-c", said], capture_output=True, text=True, check=True
    )
    assert told.stdout.strip() == "False"


def test_a_shipped_template_is_the_one_that_pages_use():
    """Pages design and compile charts anew where the folder of templates is not found."""
    assert _shipped("stake") == json.loads((FOLDER / "stake.json").read_text(encoding="utf-8"))
