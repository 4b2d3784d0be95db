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
from rightsize.meters.curve import ratio_between, registration_matrix
from rightsize.meters.draws import registration_draws

Array = NDArray[np.floating[Any]]
_FINE: Final = 4  # [1] table steps per band in which registered flow is looked up
_TABLE_BANDS: Final = 220  # [bands] from the first edge
_QUARTERS: Final = (-0.375, -0.125, 0.125, 0.375)  # [bands] middles of the quarters of a band
TABLE_FLOW_GPM: Final = FIRST_EDGE_GPM * 10.0 ** (
    np.arange(_TABLE_BANDS * _FINE + 1) / (BANDS_PER_DECADE * _FINE)
)
"""Flows at which a `RegisteredTable` holds ratios [gpm]."""
_TYPE_SHARE: Final = 0.35  # of a single meter's error, that of the type's mean (our convention)


@dataclass(frozen=True)
class RegisteredTable:
    """Draws of the registration of many meters on a fine log grid, looked up by flow."""

    ratio: Array  # [J, M, table] without the cut at the start, applied at look-up
    start_gpm: Array  # [M]
    known: Array  # [M, table] the same by the catalogue's curves as they stand

    @cached_property
    def as_known(self) -> RegisteredTable:
        """The table without draws: one state [1, M, table]."""
        return RegisteredTable(self.known[None], self.start_gpm, self.known)

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
        """Registered flow [gpm] of flows [J, ...]; `meter` broadcasts to `flow_gpm`."""
        draws, meters, width = self.ratio.shape
        at = np.log10(np.maximum(flow_gpm, np.float32(FIRST_EDGE_GPM)))
        at -= np.float32(np.log10(FIRST_EDGE_GPM))
        at *= np.float32(BANDS_PER_DECADE * _FINE)
        low = np.minimum(at.astype(np.int32), width - 2)
        part = at - low.astype(np.float32)
        draw = np.arange(draws, dtype=np.int32).reshape(-1, *([1] * (flow_gpm.ndim - 1)))
        first = (draw * np.int32(meters) + meter.astype(np.int32)) * np.int32(width)
        flat, base = self.ratio.ravel(), first + low
        ratio = flat.take(base)
        ratio += (flat.take(base + 1) - ratio) * part
        return np.asarray(np.where(flow_gpm < self.start_gpm[meter], 0, ratio * flow_gpm))


@lru_cache(maxsize=4)
def registered_table(meters: tuple[Meter, ...], draws: int, seed: int) -> RegisteredTable:
    """Draws of the meters' curves: draw j of every account shares the j-th state of each.

    The uncertainty is that of meters which keep their permitted errors; what tests or a stated
    wear say of installed meters is put in by `rightsize.inference.installed`.
    """
    flow = TABLE_FLOW_GPM
    plain = [ratio_between(flow, meter.registration) for meter in meters]
    drawn = registration_draws(meters, flow, draws, np.random.default_rng(seed))
    known = registration_matrix(meters, flow)
    error = np.where((known > 0) & (drawn > 0), drawn / np.maximum(known, 1e-9), 1.0)
    error = 1 + _TYPE_SHARE * (error - 1)
    return RegisteredTable(
        (np.array(plain) * error).astype(np.float32),
        meter_arrays(meters).starting_gpm.astype(np.float32),
        np.array(plain, dtype=np.float32),
    )
