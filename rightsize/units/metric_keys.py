"""Metric keys in user files, converted once when loaded."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, Final

from rightsize.units import SIZE_IN_OF_MM

_SIZE_IN_WORDS: Final = re.compile(r"(?<= )([0-9.]+) ?mm\b")


def in_us_keys(raw: Any, metric_keys: Mapping[str, tuple[str, float]]) -> Any:
    """The mapping with metric keys replaced by ours.

    Parameters
    ----------
    raw : mapping
        As read; anything else comes back as it is.
    metric_keys : mapping
        Metric key -> (our key, our units in one of its units).

    Raises
    ------
    ValueError
        If a value is given in both units, or is no number.
    """
    if not isinstance(raw, dict):
        return raw
    entry = dict(raw)
    for metric, (ours, factor) in metric_keys.items():
        if metric in entry:
            refuse_both(entry, metric, ours)
            value = entry.pop(metric)
            entry[ours] = None if value is None else times(value, factor, metric)
    return entry


def refuse_both(entry: Mapping[str, Any], metric: str, ours: str) -> None:
    """Raise an error for a value given in both units."""
    if ours in entry:
        raise ValueError(f"give {metric} or {ours}, not both")


def times(value: Any, factor: float, key: str) -> float:
    """A number in our unit; `key` is named in the error if it is not a number."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"{key}: must be a number; got {value!r}")
    return value * factor


def size_in_of(size_mm: Any, key: str = "size_mm") -> float:
    """The nominal size [in] of a size in millimeters."""
    if isinstance(size_mm, bool) or not isinstance(size_mm, int | float):
        raise ValueError(f"{key}: must be a number; got {size_mm!r}")
    if size_mm not in SIZE_IN_OF_MM:
        allowed = ", ".join(f"{mm:g}" for mm in SIZE_IN_OF_MM)
        raise ValueError(f"{key}: allowed: {allowed}; got {size_mm!r}")
    return SIZE_IN_OF_MM[size_mm]


def meter_names(names: Any, key: str) -> Any:
    """Names of meters with sizes in inches: `displacement 25 mm` is `displacement 1`."""
    if not isinstance(names, list | tuple):
        return names

    def in_inches(found: re.Match[str]) -> str:
        return f"{size_in_of(float(found[1]), key):g}"

    return [_SIZE_IN_WORDS.sub(in_inches, n) if isinstance(n, str) else n for n in names]
