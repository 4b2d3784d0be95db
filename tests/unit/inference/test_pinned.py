"""No number of the inference moves unnoticed (see `pinned.py`)."""

import json

import pytest

from tests.unit.inference.pinned import FILE, inferred


def test_the_inference_still_gives_the_numbers_that_were_pinned():
    """PINNED: within what another processor changes; a wider move needs a changelog row."""
    pinned = json.loads(FILE.read_text(encoding="utf-8"))
    found = inferred()
    assert found.keys() == pinned.keys()
    for name, values in pinned.items():
        assert found[name] == pytest.approx(values, rel=5e-3, abs=2e-3), name
