"""Registered flow of many meters, drawn and looked up by flow."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from rightsize.demand.bands import (
    BAND_CENTRES_GPM,
    BAND_COUNT,
    BAND_EDGES_GPM,
    BANDS_PER_DECADE,
    FIRST_EDGE_GPM,
)
from rightsize.inference.water_use.priors import Z90
from rightsize.meters.arrays import meter_arrays
from rightsize.meters.catalogue import Meter
from rightsize.meters.curve import ratio_between, ratio_between_log
from rightsize.meters.principles import principle_of
from rightsize.meters.uncertainty.curve_samples import (
    STATIC_CUT_SPAN,
    curve_samples,
    even_normal,
)
from rightsize.meters.uncertainty.knots import HIGHEST_RATIO

Array = NDArray[np.floating[Any]]
_FINE: Final = 4  # [1] table steps per band in which registered flow is looked up
_TABLE_BANDS: Final = 220  # [bands] from the first edge
_QUARTERS: Final = (-0.375, -0.125, 0.125, 0.375)  # [bands] middles of the quarters of a band
TABLE_FLOW_GPM: Final = FIRST_EDGE_GPM * 10.0 ** (
    np.arange(_TABLE_BANDS * _FINE + 1) / (BANDS_PER_DECADE * _FINE)
)
"""Flows at which a `RegisteredTable` holds ratios [gpm]."""
_TYPE_SHARE: Final = 0.5  # [1] of one meter's error, that of its make: our convention
OWN_STATES: Final = 8  # [1] meters of one entry told apart in the ground: convention
AGE_EDGES_YEARS: Final = (5.0, 10.0)  # [years] young, of middle or unknown age, old: convention
_MIDDLE, _OLD = 1, 2
_STATES: Final = np.array([1, OWN_STATES, OWN_STATES])  # [1] of an entry, by band of age
_FIRST: Final = np.array([0, 1, 1 + OWN_STATES])  # [1] the first of them
_ENTRY_ROWS: Final = int(_STATES.sum())  # [1] rows of an entry in `ground_table`
_GROUND_STREAM: Final = 31  # [1] apart from the samples of bought meters
# How meters in the ground differ from the catalog's curve: in log flow (start and loss move
# together) and in the ratio; what a type and size have in common, and what is one meter's own.
# Set on simulated fleets 31 to 34 and 901 to 913 as they are, on 31 to 33 and 911 to 926 with
# `ALL_WRONG` (tests/fleets), and on the set half of the recordings.
GROUND_TYPE_SD: Final = 0.15  # [log]
GROUND_OWN_SD: Final = 0.4  # [log]
GROUND_KEPT: Final = 0.5  # [1] 1: loses as much on average as new, 0: as much in the middle
GROUND_TYPE_ERROR_SD: Final = 0.002  # [1]
GROUND_OWN_ERROR_SD: Final = 0.006  # [1]
GROUND_LEAN: Final = (1.6, 0.6)  # [1] of that below and above: more have worn than gained
YOUNG_SD: Final = 0.15  # [log] of start and loss of one make against another, in new meters
OLD_DRIFT: Final = 0.3  # [log] of start and loss of old meters, beside the spread
OLD_ERROR: Final = -0.003  # [1] of all that an old meter registers

_GROUND_SD: Final = float(np.hypot(GROUND_TYPE_SD, GROUND_OWN_SD))
GROUND_SPAN: Final = (float(np.exp(-Z90 * _GROUND_SD)), float(np.exp(Z90 * _GROUND_SD)))
"""Within which nine meters of ten in the ground move along the flow [1]."""
GROUND_ERROR_SD: Final = float(
    np.hypot(GROUND_TYPE_ERROR_SD, GROUND_LEAN[0] * GROUND_OWN_ERROR_SD)
)


@lru_cache(maxsize=512)
def moved_meter(meter: Meter, factor: float) -> Meter:
    """The meter when it starts, and climbs, at `factor` times the flow."""
    points = tuple((flow * factor, ratio) for flow, ratio in meter.registration)
    return replace(
        meter, starting_gpm=meter.starting_gpm * factor, registration=points, compound=None
    )


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
    return _table(
        meters, _told(meters, curves.ratio, curves.start_gpm, _TYPE_SHARE), curves.start_gpm
    )


@lru_cache(maxsize=4)
def ground_table(meters: tuple[Meter, ...], samples: int, seed: int) -> RegisteredTable:
    """Samples of curves of meters in the ground, `OWN_STATES` rows a meter of the catalog.

    Row `m * OWN_STATES + k` of sample j is a meter of entry m: what its type and size have in
    common is the j-th state, what is its own the k-th. Nothing is known of its age or make: it
    may be better or worse than the catalog's, and loses somewhat more on average.
    """
    rng = np.random.default_rng([seed, _GROUND_STREAM])
    shape = (samples, len(meters), OWN_STATES)
    shared = [even_normal(rng, (samples, len(meters), 1)) for _ in range(2)]
    rank = (np.arange(OWN_STATES) + 0.5) / OWN_STATES
    own = [np.broadcast_to(ndtri(rng.permutation(rank)), shape) for _ in range(2)]
    power = np.array([principle_of(m.meter_type).loss_power for m in meters])[None, :, None]
    kept = -GROUND_KEPT * power * (GROUND_TYPE_SD**2 + GROUND_OWN_SD**2) / 2
    ln_stretch = kept + GROUND_TYPE_SD * shared[0] + GROUND_OWN_SD * own[0]
    leaning = own[1] * np.where(own[1] < 0, *GROUND_LEAN)
    error = GROUND_TYPE_ERROR_SD * shared[1] + GROUND_OWN_ERROR_SD * leaning
    wears = np.array([principle_of(m.meter_type).has_moving_part for m in meters])[None, :, None]
    parts = [
        _moved(
            meters,
            YOUNG_SD * shared[0] - power * YOUNG_SD**2 / 2,
            GROUND_TYPE_ERROR_SD * shared[1],
        ),
        _moved(meters, ln_stretch, error),
        _moved(meters, ln_stretch + OLD_DRIFT * wears, error + OLD_ERROR * wears),
    ]
    ratio, start = (np.concatenate(p, axis=2) for p in zip(*parts, strict=True))
    every = tuple(m for m in meters for _ in range(_ENTRY_ROWS))
    rows = (samples, len(every))
    return _table(every, ratio.reshape(*rows, -1), start.reshape(rows))


def _moved(meters: tuple[Meter, ...], ln_stretch: Array, error: Array) -> tuple[Array, Array]:
    """Ratio [J, M, K, table] and start [J, M, K] of curves moved along the flow, and in error."""
    ratio = np.empty((*ln_stretch.shape, len(TABLE_FLOW_GPM)), dtype=np.float32)
    start = np.empty(ln_stretch.shape)
    ln_gpm = np.log(TABLE_FLOW_GPM)
    for row, meter in enumerate(meters):
        at, e = ln_stretch[:, row], error[:, row]
        lower = ratio_between_log(ln_gpm - at[..., None], meter.registration)
        ratio[:, row] = np.clip(lower * (1 + e[..., None]), 0, HIGHEST_RATIO)
        static = not principle_of(meter.meter_type).has_moving_part
        low = meter.starting_gpm / STATIC_CUT_SPAN if static else 0.0
        top = meter.starting_gpm if static else np.inf
        start[:, row] = np.clip(meter.starting_gpm * np.exp(at), low, top)
    return ratio, start


def ground_rows(
    entry: NDArray[np.int64], age_years: Array
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First row in `ground_table` of meters of a catalog's entries and ages, and how many [A].

    `age_years` NaN is not known: such a meter is one of middle age.
    """
    band = np.searchsorted(AGE_EDGES_YEARS, age_years, side="right")
    band = np.where(np.isfinite(age_years), band, _MIDDLE)
    return entry * _ENTRY_ROWS + _FIRST[band], _STATES[band]


def _told(meters: tuple[Meter, ...], drawn: Array, start_gpm: Array, share: float) -> Array:
    """Ratios that keep a share of the drawn errors above the start, and all of the start's."""
    plain = np.array([ratio_between(TABLE_FLOW_GPM, m.registration) for m in meters])
    moved = (
        TABLE_FLOW_GPM[None, None] < np.array([m.min_test_gpm for m in meters])[None, :, None]
    )
    shifted = plain[None] * (1 + share * (drawn / np.maximum(plain[None], 1e-9) - 1))
    return np.asarray(np.where(moved, drawn, shifted))


def _table(meters: tuple[Meter, ...], ratio: Array, start_gpm: Array) -> RegisteredTable:
    plain = np.array([ratio_between(TABLE_FLOW_GPM, m.registration) for m in meters])
    return RegisteredTable(
        ratio.astype(np.float32),
        start_gpm.astype(np.float32),
        plain.astype(np.float32),
        meter_arrays(meters).starting_gpm.astype(np.float32),
    )
