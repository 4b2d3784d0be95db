"""The shipped thresholds file says what the settings say."""

from __future__ import annotations

from pathlib import Path

import yaml

from rightsize.settings import Thresholds
from rightsize.settings_text import thresholds_yaml

SHIPPED = Path(__file__).resolve().parents[2] / "config" / "thresholds.yaml"


def test_shipped_file_is_the_written_one() -> None:
    assert SHIPPED.read_text(encoding="utf-8") == thresholds_yaml(), (
        'write it anew: python -c "from rightsize.settings_text import thresholds_yaml as t; '
        "print(t(), end='')\" > config/thresholds.yaml"
    )


def test_shipped_file_reads_back_as_the_defaults() -> None:
    held = yaml.safe_load(SHIPPED.read_text(encoding="utf-8"))
    assert Thresholds.model_validate(held) == Thresholds()


def test_every_threshold_says_its_meaning_and_bounds_or_source() -> None:
    text = thresholds_yaml()
    for name, field in Thresholds.model_fields.items():
        assert field.description, name
        assert f"\n{name}: " in text or f"\n# {name}:" in text
