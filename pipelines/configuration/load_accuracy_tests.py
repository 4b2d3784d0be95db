"""A utility's own accuracy tests: one CSV row per test flow, as test benches export them."""

from __future__ import annotations

import datetime as dt
import math
from pathlib import Path
from typing import Final

import numpy as np

from pipelines.configuration.yaml_file import csv_rows
from rightsize.errors import CatalogueError, ConfigError
from rightsize.meters.catalogue import Catalogue
from rightsize.meters.uncertainty.shrinkage import AccuracyTests
from rightsize.units import GPM_PER_M3H
from rightsize.units.metric_keys import size_in_of

REQUIRED: Final = ("meter_id", "meter_type", "age_years", "registered_pct")
SIZES: Final = ("size_in", "size_mm")
FLOWS: Final = {"flow_gpm": 1.0, "flow_m3h": GPM_PER_M3H}
LARGEST_PCT: Final = 200.0
DAY: Final = "tested_on"


def load_accuracy_tests(path: Path, catalogue: Catalogue) -> AccuracyTests:
    """Read tests of meters in service.

    Columns: meter_id, meter_type, size_in or size_mm, age_years at the test, flow_gpm or
    flow_m3h, and registered_pct (registered over actual volume, 100 is exact); optional grade
    and tested_on (`load_test_days`).

    Raises
    ------
    ConfigError
        One line a problem: file, line, column, what was allowed and got.
    """
    rows, flow_column = _rows(path)
    row_of = {id(m): n for n, m in enumerate(catalogue.meters)}
    problems: list[str] = []
    ids: list[str] = []
    values: list[tuple[int, float, float, float]] = []
    for line, row in rows:
        try:
            _day(row)
            values.append(_test(row, flow_column, catalogue, row_of))
            ids.append(row["meter_id"].strip())
        except (ValueError, CatalogueError) as error:
            problems.append(f"{path} line {line}: {error}")
    if problems:
        raise ConfigError("\n".join(problems))
    table = np.array(values, dtype=np.float64).reshape(-1, 4)
    return AccuracyTests(
        tuple(ids), table[:, 0].astype(np.int64), table[:, 1], table[:, 2], table[:, 3]
    )


def load_test_days(path: Path) -> dict[str, dt.date]:
    """Day of the newest test of each meter, where the file tells days (tested_on).

    The file is one that `load_accuracy_tests` takes.
    """
    days: dict[str, dt.date] = {}
    for _, row in _rows(path)[0]:
        meter, day = row["meter_id"].strip(), _day(row)
        if day is not None:
            days[meter] = max(day, days.get(meter, day))
    return days


def _day(row: dict[str, str]) -> dt.date | None:
    text = (row.get(DAY) or "").strip()
    if not text:
        return None
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise ValueError(f"{DAY}: must be a date such as 2026-01-31; got {text!r}") from None


def _rows(path: Path) -> tuple[list[tuple[int, dict[str, str]]], str]:
    rows, names = csv_rows(path)
    missing = [name for name in REQUIRED if name not in names]
    flows = [name for name in FLOWS if name in names]
    if len(flows) != 1:
        missing.append("flow_gpm or flow_m3h (one of them)")
    if sum(name in names for name in SIZES) != 1:
        missing.append("size_in or size_mm (one of them)")
    if missing:
        raise ConfigError(f"{path}: missing columns: {', '.join(missing)}")
    return rows, flows[0]


def _test(
    row: dict[str, str], flow_column: str, catalogue: Catalogue, row_of: dict[int, int]
) -> tuple[int, float, float, float]:
    """Catalog row, age [years], flow [gpm] and ratio [1] of one line."""
    if not (row["meter_id"] or "").strip():
        raise ValueError("meter_id: must not be empty")
    size_in = (
        _number(row, "size_in", 0, 100)
        if "size_in" in row
        else size_in_of(_number(row, "size_mm", 0, 1000))
    )
    grade = (row.get("grade") or "").strip() or None
    meter = catalogue.find((row["meter_type"] or "").strip(), size_in, grade=grade)
    return (
        row_of[id(meter)],
        _number(row, "age_years", 0, 100),
        _number(row, flow_column, 0, 1e6, is_open=True) * FLOWS[flow_column],
        _number(row, "registered_pct", 0, LARGEST_PCT) / 100,
    )


def _number(
    row: dict[str, str], column: str, low: float, high: float, *, is_open: bool = False
) -> float:
    text = (row[column] or "").strip()
    try:
        value = float(text)
    except ValueError:
        raise ValueError(f"{column}: must be a number; got {text!r}") from None
    if not math.isfinite(value) or not low <= value <= high or (is_open and value == low):
        above = "above" if is_open else "from"
        raise ValueError(f"{column}: must be {above} {low:g} to {high:g}; got {text}")
    return value
