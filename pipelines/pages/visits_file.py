"""Reads `visits.csv` of a campaign: one row a visit, every error with its line."""

from __future__ import annotations

import csv
import datetime as dt
import math
from dataclasses import fields
from pathlib import Path
from typing import Any, Final, get_type_hints

from pipelines.configuration.yaml_file import plain_file
from rightsize.campaign.visit import Visit
from rightsize.errors import ConfigError
from rightsize.evidence.field.words import TITLE

COLUMNS: Final = tuple(f.name for f in fields(Visit))
_TYPES: Final = get_type_hints(Visit)
_FORMULA_MARK: Final = "'"  # put before text that a spreadsheet would run
_FORMULA_STARTS: Final = tuple("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20")


def read_visits(path: Path) -> tuple[Visit, ...]:
    """The visits of a file, in its order.

    Raises
    ------
    ConfigError
        One line a problem: file, line, column, what was allowed and got.
    """
    rows = _rows(path)
    visits, problems = [], []
    for line, row in rows:
        try:
            visits.append(Visit(**{name: _value(name, row[name] or "") for name in COLUMNS}))
        except ValueError as error:
            problems.append(f"{path} line {line}: {error}")
    seen: dict[tuple[str, str, str, dt.date], int] = {}
    for (line, _), visit in zip(rows, visits, strict=False):
        key = (visit.account_id, visit.meter_id, visit.kind, visit.week_start_on)
        if key in seen and not problems:
            problems.append(f"{path} line {line}: the same visit as line {seen[key]}")
        seen.setdefault(key, line)
    if problems:
        raise ConfigError("\n".join(problems))
    return tuple(visits)


def _rows(path: Path) -> list[tuple[int, dict[str, str]]]:
    try:
        plain_file(path)
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(file)
            rows = [(reader.line_num, row) for row in reader]
            names = reader.fieldnames or []
    except FileNotFoundError:
        raise ConfigError(f"{path}: no such file; run `rightsize campaign` first") from None
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise ConfigError(f"{path}: cannot be read: {error}") from None
    missing = [name for name in COLUMNS if name not in names]
    if missing:
        raise ConfigError(f"{path}: missing columns: {', '.join(missing)}")
    return rows


def _value(name: str, text: str) -> Any:
    kind = _TYPES[name]
    if kind is str:
        return _text(name, text)
    if kind is dt.date:
        return _monday(name, text)
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    is_money = name in ("expected_gain_usd", "net_usd")
    low = -math.inf if is_money else 1 if name == "crew" else 0
    if not math.isfinite(number) or number < low or (kind is int and number != int(number)):
        allowed = "a number" if is_money else f"a number from {low:g}"
        raise ValueError(f"{name}: must be {allowed}; got {text!r}")
    return int(number) if kind is int else number


def _text(name: str, text: str) -> str:
    if text.startswith(_FORMULA_MARK) and text[1:].startswith(_FORMULA_STARTS):
        text = text[1:]
    if name in ("account_id", "meter_id") and not text.strip():
        raise ValueError(f"{name}: must not be empty")
    if name == "kind" and text not in TITLE:
        raise ValueError(f"kind: must be one of {', '.join(TITLE)}; got {text!r}")
    return text


def _monday(name: str, text: str) -> dt.date:
    try:
        day = dt.date.fromisoformat(text.strip())
    except ValueError:
        raise ValueError(f"{name}: must be a date such as 2026-02-02; got {text!r}") from None
    if day.weekday() != 0:
        raise ValueError(f"{name}: must be a Monday; {day} is a {day:%A}")
    return day
