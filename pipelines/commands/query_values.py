"""Values of an answer in Python, also those that Python has no type for."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pyarrow as pa

_BEYOND: Final = (OverflowError, ValueError, TypeError, pa.ArrowException)
_INFINITE: Final = {2**31 - 1: "infinity", -(2**31 - 1): "-infinity"}
_ENDLESS: Final = {2**63 - 1: "infinity", -(2**63 - 1): "-infinity"}
"""Days and ticks by which DuckDB stores an infinite date and an infinite time."""


def values_of(column: pa.Array) -> list[Any]:
    """The values of a column; a date or time outside Python's years 1 to 9999 as ISO text."""
    try:
        values: list[Any] = column.to_pylist()
    except _BEYOND:
        return [_value(scalar) for scalar in column]
    return values


def _value(scalar: Any) -> Any:
    try:
        return scalar.as_py()
    except _BEYOND:
        return _beyond(scalar)


def _beyond(scalar: Any) -> Any:
    kind = scalar.type
    if pa.types.is_date(kind):
        return _INFINITE.get(scalar.value) or str(np.datetime64(scalar.value, "D"))
    if pa.types.is_timestamp(kind):
        return _ENDLESS.get(scalar.value) or str(np.datetime64(scalar.value, kind.unit))
    if pa.types.is_map(kind):
        return {str(_value(pair["key"])): _value(pair["value"]) for pair in scalar.values}
    if pa.types.is_list(kind) or pa.types.is_large_list(kind):
        return [_value(inner) for inner in scalar.values]
    if pa.types.is_struct(kind):
        return {name: _value(inner) for name, inner in scalar.items()}
    return str(scalar)
