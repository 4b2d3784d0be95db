"""Registered flow of many meters, drawn and looked up by flow."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rightsize.demand.bands import (
    BAND_CENTRES_GPM,
    BAND_COUNT,
    BAND_EDGES_GPM,
    BANDS_PER_DECADE,
    FIRST_EDGE_GPM,
)
from rightsize.meters.arrays import meter_arrays
from rightsize.meters.catalogue import Meter
from rightsize.meters.curve import ratio_between
from rightsize.meters.uncertainty.curve_samples import curve_samples

Array = NDArray[np.floating[Any]]
_FINE: Final = 4  # [1] table steps per band in which registered flow is looked up
_TABLE_BANDS: Final = 220  # [bands] from the first edge
_QUARTERS: Final = (-0.375, -0.125, 0.125, 0.375)  # [bands] middles of the quarters of a band
TABLE_FLOW_GPM: Final = FIRST_EDGE_GPM * 10.0 ** (
    np.arange(_TABLE_BANDS * _FINE + 1) / (BANDS_PER_DECADE * _FINE)
)
"""Flows at which a `RegisteredTable` holds ratios [gpm]."""
_TYPE_SHARE: Final = 0.5  # [1] of one meter's error, that of its make: our convention


@dataclass(frozen=True)
class RegisteredTable:
    """Samples of the registration of many meters on a fine log grid, looked up by flow."""

    ratio: Array  # [J, M, table] without the cut at the start, applied at look-up
    start_gpm: Array  # [J, M]
    known: Array  # [M, table] the same by the catalog's curves as they stand
    known_start_gpm: Array  # [M]

    @cached_property
    def as_known(self) -> RegisteredTable:
        """The table without samples: one state [1, M, table]."""
        return RegisteredTable(
            self.known[None], self.known_start_gpm[None], self.known, self.known_start_gpm
        )

    @cached_property
    def by_band(self) -> Array:
        """Mean registered flow over each band [J, B, M], the jump at the start included."""
        width = np.log(BAND_EDGES_GPM[1] / BAND_EDGES_GPM[0])
        inside = np.exp(np.array(_QUARTERS) * width)
        shape = (*self.ratio.shape[:2], BAND_COUNT)
        index = np.arange(shape[1])[:, None]
        flows = [
            np.broadcast_to((BAND_CENTRES_GPM * i).astype(np.float32), shape) for i in inside
        ]
        mean = np.mean([self.registered_gpm(f, index) for f in flows], axis=0)
        return np.ascontiguousarray(mean.transpose(0, 2, 1).astype(np.float32))

    def registered_gpm(self, flow_gpm: Array, meter: NDArray[np.int64]) -> Array:
        """Registered flow [gpm] of flows [J, ...] at meters that broadcast with them."""
        samples, meters, width = self.ratio.shape
        at = np.log10(np.maximum(flow_gpm, np.float32(FIRST_EDGE_GPM)))
        at -= np.float32(np.log10(FIRST_EDGE_GPM))
        at *= np.float32(BANDS_PER_DECADE * _FINE)
        low = np.minimum(at.astype(np.int32), width - 2)
        part = at - low.astype(np.float32)
        sample = np.arange(samples, dtype=np.int32).reshape(-1, *([1] * (flow_gpm.ndim - 1)))
        row = sample * np.int32(meters) + meter.astype(np.int32)
        ratio = between(self.ratio.ravel(), row * np.int32(width) + low, part)
        runs = flow_gpm >= self.start_gpm.ravel().take(row)
        return np.asarray(ratio * flow_gpm * runs)


def between(values: Array, place: NDArray[np.int32], part: Array) -> Array:
    """Values a part of the way from each place of a flat table to the next.

    Every place is inside the table: "wrap" spares `take` its checks and its buffer.
    """
    at = place.astype(np.intp)
    low = values.take(at, mode="wrap")
    rise = values[1:].take(at, mode="wrap")
    rise -= low
    rise *= part
    low += rise
    return low


@lru_cache(maxsize=4)
def registered_table(meters: tuple[Meter, ...], samples: int, seed: int) -> RegisteredTable:
    """Samples of curves of meters as bought: sample j of every account shares the j-th state.

    What the meters of a type and size have in common is drawn, that of one make against
    another, within the permitted errors; a bought meter's own error averages out over a fleet.
    """
    curves = curve_samples(meters, TABLE_FLOW_GPM, samples, np.random.default_rng(seed))
    return table_of(
        meters, _told(meters, curves.ratio, curves.start_gpm, _TYPE_SHARE), curves.start_gpm
    )


def _told(meters: tuple[Meter, ...], drawn: Array, start_gpm: Array, share: float) -> Array:
    """Ratios that keep a share of the drawn errors above the start, and all of the start's."""
    plain = np.array([ratio_between(TABLE_FLOW_GPM, m.registration) for m in meters])
    moved = (
        TABLE_FLOW_GPM[None, None] < np.array([m.min_test_gpm for m in meters])[None, :, None]
    )
    shifted = plain[None] * (1 + share * (drawn / np.maximum(plain[None], 1e-9) - 1))
    return np.asarray(np.where(moved, drawn, shifted))


def table_of(meters: tuple[Meter, ...], ratio: Array, start_gpm: Array) -> RegisteredTable:
    """A table of drawn ratios [J, M, table] and starts [J, M] of meters of the catalog [M]."""
    plain = np.array([ratio_between(TABLE_FLOW_GPM, m.registration) for m in meters])
    return RegisteredTable(
        ratio.astype(np.float32),
        start_gpm.astype(np.float32),
        plain.astype(np.float32),
        meter_arrays(meters).starting_gpm.astype(np.float32),
    )
