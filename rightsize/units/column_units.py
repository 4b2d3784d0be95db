"""Units in column names, and the metric name and values of a column.

Factors and nominal sizes are those of `rightsize.units`.
"""

from __future__ import annotations

import json
import re
from typing import Final

from rightsize.units import GAL_PER_M3, GPM_PER_M3H, MM_OF_SIZE_IN, MM_PER_IN, PSI_PER_BAR

METRIC_TOKEN: Final[dict[str, str]] = {"gal": "m3", "gpm": "m3h", "in": "mm", "psi": "bar"}
_METRIC_FACTOR: Final[dict[str, float]] = {
    "gal": 1 / GAL_PER_M3,
    "gpm": 1 / GPM_PER_M3H,
    "psi": 1 / PSI_PER_BAR,
}
DN_MM: Final = MM_OF_SIZE_IN
"""Nominal diameter [mm] of a nominal size [in]; a size without one is converted."""

_WORDS: Final[dict[str, str]] = {
    "gal_per_year": "gal/year", "m3_per_year": "m3/year", "usd_per_year": "USD/year",
    "gal": "gal", "gpm": "gpm", "in": "in", "psi": "psi", "m3": "m3", "m3h": "m3/h", "mm": "mm",
    "bar": "bar", "usd": "USD", "pct": "%", "share": "share 0 to 1",
    "min": "min", "hours": "hours", "years": "years",
    "count": "count", "at": "UTC", "on": "date",
}  # fmt: skip


def _unit_token(name: str) -> str:
    tokens = name.split("_")
    if len(tokens) > 3 and tokens[-2:] == ["per", "year"]:
        return "_".join(tokens[-3:])
    return tokens[-1]


def unit_of(name: str) -> str:
    """Unit of a column in words, from the end of its name; empty if none."""
    if name.startswith("odds_"):
        return "odds 0 to 1"
    return _WORDS.get(_unit_token(name), "")


def metric_name(name: str) -> str:
    """The metric name of a column; the same name if its unit is not US."""
    token = _unit_token(name)
    first = token.split("_")[0]
    if first not in METRIC_TOKEN or "_" not in name:
        return name
    return name[: len(name) - len(token)] + token.replace(first, METRIC_TOKEN[first], 1)


def metric_factor(name: str) -> float | None:
    """Conversion factor of a US column; None for sizes (see `nominal_mm`) or no change."""
    return _METRIC_FACTOR.get(_unit_token(name).split("_")[0]) if "_" in name else None


def is_size(name: str) -> bool:
    """Whether the column holds a nominal size in inches."""
    return name.endswith("_in")


def nominal_mm(size_in: float) -> float:
    """Nominal diameter DN [mm] of a size [in]; whole millimeters if there is no DN."""
    return DN_MM.get(round(size_in, 4), round(size_in * MM_PER_IN))


def metric_value(name: str, value: float) -> float:
    """A value in the metric unit of `metric_name(name)`; itself if nothing changes."""
    if is_size(name):
        return nominal_mm(value)
    factor = metric_factor(name)
    return value if factor is None else value * factor


def metric_evidence(evidence: str) -> str:
    """Numbers of a finding (JSON, keyed by name with unit) in metric units."""
    said = json.loads(evidence)
    if not isinstance(said, dict):
        return evidence
    return json.dumps(
        {
            metric_name(k): metric_value(k, v)
            if isinstance(v, int | float) and not isinstance(v, bool)
            else v
            for k, v in said.items()
        }
    )


def metric_text(sql: str) -> str:
    """A statement on US columns, with every column name replaced by its metric name."""
    return re.sub(r"\b[a-z][a-z0-9_]*\b", lambda found: metric_name(found[0]), sql)
