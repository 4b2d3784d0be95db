"""Reads `visits.csv` of a campaign: one row a visit, every error with its line."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import fields
from pathlib import Path
from typing import Any, Final, get_type_hints

import polars as pl

from pipelines.configuration.yaml_file import csv_rows, short
from rightsize.campaign.season import EARLIEST, LATEST
from rightsize.campaign.visit import Visit
from rightsize.errors import ConfigError
from rightsize.evidence.field.sheet_cell import read_cell
from rightsize.evidence.field.words import TITLE
from rightsize.knowing.kinds import LOGS_OF_FLOW

COLUMNS: Final = tuple(f.name for f in fields(Visit))
_TYPES: Final = get_type_hints(Visit)
_MOST_WEEKS: Final = 520  # from the first visit to the last: ours, five times a campaign's
_MOST: Final[dict[str, float]] = {
    "crew": 100,  # as of the command
    "logger_count": 1e6,
    "duration_days": 366,
    "expected_gain_usd": 1e12,
    "cost_usd": 1e12,
    "net_usd": 1e12,
}
"""Largest number of each column: ours, far above any plan."""


def read_visits(path: Path) -> tuple[Visit, ...]:
    """The visits of a file, in its order.

    Raises
    ------
    ConfigError
        One line a problem: file, line, column, what was allowed and got.
    """
    return tuple(visit for _, visit in _numbered(path))


def _numbered(path: Path) -> list[tuple[int, Visit]]:
    """Visits with their lines."""
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
    weeks = [visit.week_start_on for visit in visits]
    if weeks and (max(weeks) - min(weeks)).days > 7 * _MOST_WEEKS:
        problems.append(
            f"{path}: visits from {min(weeks)} to {max(weeks)}; a plan spans at most"
            f" {_MOST_WEEKS} weeks"
        )
    if problems:
        raise ConfigError("\n".join(problems))
    return [(line, visit) for (line, _), visit in zip(rows, visits, strict=True)]


def meters_to_log(path: Path, meters: pl.DataFrame) -> frozenset[str]:
    """Meters whose flow the campaign under way logs; `meters` is the meter list.

    Raises
    ------
    ConfigError
        If the file is not one of visits, or names a meter that the meter list does not have.
    """
    visits, known = _numbered(path), set(meters["meter_id"])
    strange = [(line, v.meter_id) for line, v in visits if v.meter_id not in known]
    if strange:
        line, meter = strange[0]
        raise ConfigError(
            f"{path} line {line}: meter {short(meter)} is not in the meter list; plan anew with"
            " `rightsize campaign`, or remove `campaign:` from the configuration"
        )
    return frozenset(v.meter_id for _, v in visits if v.kind in LOGS_OF_FLOW)


def _rows(path: Path) -> list[tuple[int, dict[str, str]]]:
    rows, names = csv_rows(path, if_missing="no such file; run `rightsize campaign` first")
    missing = [name for name in COLUMNS if name not in names]
    if missing:
        raise ConfigError(f"{path}: missing columns: {', '.join(missing)}")
    twice = [name for name in COLUMNS if names.count(name) > 1]
    if twice:
        raise ConfigError(f"{path}: duplicate column {twice[0]!r}")
    ragged = [line for line, row in rows if None in row or None in row.values()]
    if ragged:
        raise ConfigError(
            f"{path} line {ragged[0]}: more or fewer cells than the {len(names)} columns"
        )
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
    high = _MOST[name]
    is_money = name in ("expected_gain_usd", "net_usd")
    low = -high if is_money else 1 if name == "crew" else 0
    if not low <= number <= high or (kind is int and number != int(number)):
        what = "a whole number" if kind is int else "a number"
        raise ValueError(f"{name}: must be {what} from {low:g} to {high:g}; got {short(text)}")
    return int(number) if kind is int else number


def _text(name: str, text: str) -> str:
    text = read_cell(text)
    if name in ("account_id", "meter_id") and not text.strip():
        raise ValueError(f"{name}: must not be empty")
    if name == "kind" and text not in TITLE:
        raise ValueError(f"kind: must be one of {', '.join(TITLE)}; got {short(text)}")
    return text


def _monday(name: str, text: str) -> dt.date:
    try:
        day = dt.date.fromisoformat(text.strip())
    except ValueError:
        raise ValueError(
            f"{name}: must be a date such as 2026-02-02; got {short(text)}"
        ) from None
    if not EARLIEST <= day <= LATEST:
        raise ValueError(f"{name}: must lie between {EARLIEST} and {LATEST}; got {day}")
    if day.weekday() != 0:
        raise ValueError(f"{name}: must be a Monday; {day} is a {day:%A}")
    return day
