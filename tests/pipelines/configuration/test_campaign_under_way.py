"""A campaign that a configuration names: its meters, and files that are none."""

from __future__ import annotations

import csv
from dataclasses import asdict
from pathlib import Path

import polars as pl
import pytest

from pipelines.configuration.visits_file import COLUMNS, meters_to_log
from rightsize.errors import ConfigError
from tests.unit.evidence.field.visits import VISIT

METERS = pl.DataFrame({"meter_id": ["M-1", "M-2", "M-3"]})


def visits_of(path: Path, *meters: str, kind: str = "flow_logging") -> Path:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, COLUMNS)
        writer.writeheader()
        told = asdict(VISIT) | {"kind": kind}
        writer.writerows(told | {"meter_id": m, "account_id": m} for m in meters)
    return path


def test_its_meters_are_those_that_it_logs(tmp_path: Path) -> None:
    path = visits_of(tmp_path / "visits.csv", "M-1", "M-3")
    assert meters_to_log(path, METERS) == {"M-1", "M-3"}
    test = visits_of(tmp_path / "visits.csv", "M-1", kind="accuracy_test")
    assert meters_to_log(test, METERS) == frozenset()


def test_a_campaign_without_visits_goes_nowhere(tmp_path: Path) -> None:
    assert meters_to_log(visits_of(tmp_path / "visits.csv"), METERS) == frozenset()


def test_a_meter_that_is_not_in_the_list_is_named(tmp_path: Path) -> None:
    path = visits_of(tmp_path / "visits.csv", "M-1", "M-9")
    with pytest.raises(ConfigError, match="line 3: meter 'M-9' is not in the meter list"):
        meters_to_log(path, METERS)


def test_a_campaign_that_was_not_planned_says_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="run `rightsize campaign` first"):
        meters_to_log(tmp_path / "visits.csv", METERS)
