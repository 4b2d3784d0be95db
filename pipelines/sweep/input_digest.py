"""A digest of values that results rest on: equal values, equal digest, in any process.

It walks records field by field, so that a field that is added later counts without being
listed anywhere; a kind of value that it does not know is refused, never skipped.
"""

from __future__ import annotations

import datetime as dt
import enum
import hashlib
from collections.abc import Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import fields, is_dataclass
from pathlib import PurePath
from typing import Any

import numpy as np
import polars as pl
import polars.selectors as cs
from pydantic import BaseModel


def digest_of(*values: Any) -> str:
    """Hexadecimal digest of values: records, frames, arrays, collections, plain values.

    Raises
    ------
    TypeError
        If it holds a value of another kind.
    """
    told = hashlib.blake2b(digest_size=16)
    for value in values:
        _tell(told, value)
    return told.hexdigest()


def _tell(told: Any, value: Any) -> None:
    if isinstance(value, np.generic):
        value = value.item()
    kind = "list" if isinstance(value, tuple | list) else type(value).__name__
    told.update(f"<{kind}:".encode())
    if value is None or isinstance(value, str | int | float | complex | dt.date | PurePath):
        told.update(repr(value).encode())
    elif isinstance(value, enum.Enum):
        told.update(repr(value.value).encode())
    elif isinstance(value, np.ndarray):
        _tell_array(told, value)
    elif isinstance(value, pl.DataFrame):
        told.update(repr(value.schema).encode())
        as_said = value.with_columns(cs.float().cast(pl.String))  # JSON has no NaN
        told.update(as_said.write_ndjson().encode())
    else:
        _tell_parts(told, value)
    told.update(b">")


def _tell_array(told: Any, value: np.ndarray) -> None:
    if value.dtype.hasobject:
        raise TypeError("an array of objects cannot be told")
    told.update(f"{value.dtype.str}{value.shape}".encode())
    told.update(np.ascontiguousarray(value).tobytes())


def _tell_parts(told: Any, value: Any) -> None:
    if isinstance(value, BaseModel):
        for name in type(value).model_fields:
            _tell(told, (name, getattr(value, name)))
    elif is_dataclass(value) and not isinstance(value, type):
        for field in fields(value):
            _tell(told, (field.name, getattr(value, field.name)))
    elif isinstance(value, Mapping):
        for pair in sorted(value.items(), key=lambda pair: repr(pair[0])):
            _tell(told, pair)
    elif isinstance(value, AbstractSet):
        for item in sorted(value, key=repr):
            _tell(told, item)
    elif isinstance(value, Sequence):
        for item in value:
            _tell(told, item)
    else:
        raise TypeError(f"{type(value).__name__} cannot be told")
