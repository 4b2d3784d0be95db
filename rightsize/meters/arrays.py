"""Ratings, sizes and prices of a catalog's meters as arrays, cached per catalog."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rightsize.meters.catalogue import Meter

Array = NDArray[np.float64]


@dataclass(frozen=True)
class MeterArrays:
    """One entry per meter, in catalog order; all [M], read-only."""

    meter_type: NDArray[np.str_]
    size_in: Array
    starting_gpm: Array
    normal_min_gpm: Array
    continuous_gpm: Array
    smoc_gpm: Array
    price_usd: Array
    install_usd: Array
    upkeep_usd_per_year: Array
    life_years: Array
    register_usd: Array
    electronics_usd: Array
    electronics_years: Array
    failure_pct_per_year: Array
    warranty_years: Array


def meter_arrays(meters: Sequence[Meter]) -> MeterArrays:
    """The arrays of some meters; the same object for the same meters."""
    global _last  # a catalog is asked for again and again, and its hash takes long
    asked, made = _last
    if asked is not meters:
        made = _made(tuple(meters))
        if isinstance(meters, tuple):  # a list may change
            _last = meters, made
    return made


@lru_cache(maxsize=16)
def _made(meters: tuple[Meter, ...]) -> MeterArrays:
    return MeterArrays(**{f.name: _column(meters, f.name) for f in fields(MeterArrays)})


def _column(meters: tuple[Meter, ...], name: str) -> NDArray[Any]:
    kind = np.str_ if name == "meter_type" else np.float64
    column = np.array([getattr(m, name) for m in meters], dtype=kind)
    column.setflags(write=False)  # shared by all who ask
    return column


_last: tuple[Sequence[Meter], MeterArrays] = ((), _made(()))
