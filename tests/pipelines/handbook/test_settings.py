"""The handbook's page on configuration says what the settings say."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import yaml

from pipelines.configuration import meter_list as meters
from pipelines.configuration.load_settings import ExportSettings, SweepSettings
from pipelines.handbook.settings import PAGE, tables, with_tables
from rightsize.settings import CUSTOMER_CLASSES, ClassRate, Tariff, Thresholds, Tier

ROOT = Path(__file__).resolve().parents[3]
TEXT = PAGE.read_text(encoding="utf-8")


def test_the_page_is_the_written_one() -> None:
    assert with_tables(TEXT) == TEXT, "write it anew: python -m pipelines.handbook.settings"


def test_a_page_without_a_place_for_a_table_is_refused() -> None:
    with pytest.raises(ValueError, match="0 places for the table tier"):
        with_tables(TEXT.replace("<!-- tier: begin -->", ""))


@pytest.mark.parametrize(
    "model", [SweepSettings, ExportSettings, Tariff, ClassRate, Tier, Thresholds]
)
def test_every_key_says_its_meaning(model) -> None:
    assert [n for n, field in model.model_fields.items() if not field.description] == []


def test_every_column_of_the_meter_list_is_told() -> None:
    assert set(meters.COLUMNS) == {*meters.REQUIRED, *meters.OPTIONAL}


def test_types_bounds_and_defaults_are_told_in_words() -> None:
    said = tables()
    assert "| `interval_min` | number, above 0 to 1,440 | `60` |" in said["export"]
    assert "| `allowed_types` | list of meter types |  |" in said["thresholds"]
    assert "| `classes` | mapping: text to entry | **required** |" in said["tariff"]
    assert "or a space or" in said["export"]


def test_its_examples_are_understood() -> None:
    sweep, meters, tariff = (
        yaml.safe_load(b) for b in re.findall(r"```yaml\n(.*?)```", TEXT, re.DOTALL)
    )
    read = SweepSettings.model_validate({**sweep, **meters})
    assert read.exports[0].interval_min == 60
    assert read.meter_list.type_codes["T2"] == "turbine"
    assert Tariff.model_validate(tariff).for_class("office").sewer_return_share == 0.9


def test_every_class_and_every_variable_of_the_environment_is_named() -> None:
    assert [c for c in CUSTOMER_CLASSES if f"`{c}`" not in TEXT] == []
    sources = [
        p for p in (ROOT / "pipelines").rglob("*.py") if p.name != "handbook_settings.py"
    ]
    used = {n for p in sources for n in re.findall(r"RIGHTSIZE_[A-Z_]+", p.read_text("utf-8"))}
    assert used
    assert [name for name in used if f"`{name}`" not in TEXT] == []
