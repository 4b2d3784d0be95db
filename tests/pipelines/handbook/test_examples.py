"""What the handbook shows to copy can be used as it stands."""

from __future__ import annotations

import re
from importlib.resources import files
from pathlib import Path

import yaml

from pipelines.configuration.load_accuracy_tests import load_accuracy_tests
from pipelines.configuration.load_catalogue import load_catalogue
from pipelines.configuration.load_settings import SweepSettings
from rightsize.meters.catalogue import Catalogue
from rightsize.meters.uncertainty.installed_curves import LEAST_TESTED
from rightsize.meters.uncertainty.shrinkage import AGE_BANDS_YEARS, shrunk_curves

PLAIN = {"utility": "Example", "exports": [{"name": "a", "path": "a.csv"}]}


def page(name: str) -> str:
    return (files("rightsize") / "handbook" / name).read_text(encoding="utf-8")


def blocks(name: str, kind: str) -> list[str]:
    return re.findall(rf"```{kind}\n(.*?)```", page(name), flags=re.DOTALL)


def test_the_metric_catalogue_can_be_used(tmp_path: Path) -> None:
    [text] = blocks("metric.md", "yaml")
    path = tmp_path / "catalogue.yaml"
    path.write_text(text, encoding="utf-8")
    labels = [m.label for m in load_catalogue(path).meters]
    assert labels == ["3 in turbine", "2 in ultrasonic"]


def test_the_accuracy_tests_can_be_used_and_make_a_group(
    tmp_path: Path, shipped: Catalogue
) -> None:
    [text] = blocks("accuracy_tests.md", "csv")
    assert len(text.splitlines()) == 10
    path = tmp_path / "tests.csv"
    path.write_text(text, encoding="utf-8")
    tests = load_accuracy_tests(path, shipped)
    curves = shrunk_curves(tests, shipped.meters)
    assert list(curves.group_count.values()) == [LEAST_TESTED]


def test_the_keys_of_the_configuration_are_known() -> None:
    keys, wear = (yaml.safe_load(text) for text in blocks("accuracy_tests.md", "yaml"))
    settings = SweepSettings.model_validate({**PLAIN, **keys, **wear})
    assert settings.accuracy_tests == "tests.csv"
    assert list(settings.wear) == ["displacement"]


def test_the_page_names_the_age_bands_and_the_least_count() -> None:
    text = " ".join(page("accuracy_tests.md").split())
    *first, last = (f"{a:g}" for a in AGE_BANDS_YEARS)
    assert f"from {', '.join(first)} and {last} years" in text
    assert {3: "three"}[LEAST_TESTED] + " or more tested meters" in text
