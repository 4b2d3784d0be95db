"""Curves of meters in the ground: how they differ from the catalog's, by age.

A meter in the ground may be worn, better than the catalog says, or of another make, and its
reads do not tell: an installed meter that is 2 % slow looks like a customer who uses 2 % less.
Its age does, in part. A young meter is as one bought today; of old meters more have worn.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from rightsize.inference.meter.registered_table import (
    TABLE_FLOW_GPM,
    RegisteredTable,
    table_of,
)
from rightsize.inference.water_use.priors import Z90
from rightsize.meters.catalogue import Meter
from rightsize.meters.curve import ratio_between_log
from rightsize.meters.principles import principle_of
from rightsize.meters.uncertainty.curve_samples import STATIC_CUT_SPAN, even_normal
from rightsize.meters.uncertainty.knots import HIGHEST_RATIO

Array = NDArray[np.floating[Any]]
Index = NDArray[np.int64]

YOUNG_BELOW_YEARS: Final = 5.0  # [years] convention
OLD_FROM_YEARS: Final = 10.0  # [years] longest test interval of AWWA M6 (from memory)
OWN_STATES: Final = 8  # [1] meters of one entry and age told apart in the ground: convention
_GROUND_STREAM: Final = 31  # [1] apart from the samples of bought meters
# How meters in the ground differ from the catalog's curve: in log flow (start and loss move
# together) and in the ratio; what a type and size have in common, and what is one meter's own.
# The first group is that of meters whose age is not known or neither young nor old. Set on
# simulated fleets 31 to 34 and 901 to 913 as they are, on 31 to 33 and 911 to 926 with
# `ALL_WRONG` (tests/fleets), and on the set half of the recordings.
GROUND_TYPE_SD: Final = 0.15  # [log]
GROUND_OWN_SD: Final = 0.4  # [log]
GROUND_KEPT: Final = 0.5  # [1] 1: loses as much on average as new, 0: as much in the middle
GROUND_TYPE_ERROR_SD: Final = 0.002  # [1]
GROUND_OWN_ERROR_SD: Final = 0.006  # [1]
GROUND_LEAN: Final = (1.6, 0.6)  # [1] of that below and above: more have worn than gained
YOUNG_SD: Final = 0.2  # [log] one make against another, in young meters
OLD_DRIFT: Final = 0.3  # [log] of old meters with moving parts, beside the spread
OLD_ERROR: Final = -0.003  # [1] of all that they register

_GROUND_SD: Final = float(np.hypot(GROUND_TYPE_SD, GROUND_OWN_SD))
GROUND_SPAN: Final = (float(np.exp(-Z90 * _GROUND_SD)), float(np.exp(Z90 * _GROUND_SD)))
"""Within which nine meters of ten that are not old move along the flow [1]."""
OLD_SPAN: Final = (GROUND_SPAN[0], GROUND_SPAN[1] * float(np.exp(OLD_DRIFT)))
"""The same of meters of any age [1]."""
GROUND_ERROR_SD: Final = float(
    np.hypot(GROUND_TYPE_ERROR_SD, GROUND_LEAN[0] * GROUND_OWN_ERROR_SD)
)
_MIDDLE: Final = 1  # place of meters of unknown age among the bands of age
_STATES: Final = np.array([1, OWN_STATES, OWN_STATES])  # [1] of an entry: young, middle, old
_FIRST: Final = np.array([0, 1, 1 + OWN_STATES])  # [1] row of the first of them
_ENTRY_ROWS: Final = int(_STATES.sum())  # [1] rows of an entry


@lru_cache(maxsize=512)
def moved_meter(meter: Meter, factor: float) -> Meter:
    """The meter when it starts, and climbs, at `factor` times the flow."""
    points = tuple((flow * factor, ratio) for flow, ratio in meter.registration)
    return replace(
        meter, starting_gpm=meter.starting_gpm * factor, registration=points, compound=None
    )


def is_old(age_years: Array) -> NDArray[np.bool_]:
    """Whether meters are old; NaN, an age that is not known, is not."""
    return np.asarray(np.nan_to_num(age_years, nan=0.0) >= OLD_FROM_YEARS)


def ground_rows(entry: Index, age_years: Array) -> tuple[Index, Index]:
    """Rows of `ground_table` that stand for meters: the first of each, and how many [A].

    Parameters
    ----------
    entry : int array [A]
        Row of each meter in the catalog.
    age_years : array [A]
        NaN where not known; one below 0, a date after the last read, tells none.
    """
    band = np.searchsorted((YOUNG_BELOW_YEARS, OLD_FROM_YEARS), age_years, side="right")
    band = np.where(np.isfinite(age_years) & (age_years >= 0), band, _MIDDLE)
    return entry * _ENTRY_ROWS + _FIRST[band], _STATES[band]


@lru_cache(maxsize=4)
def ground_table(meters: tuple[Meter, ...], samples: int, seed: int) -> RegisteredTable:
    """Samples of curves of meters in the ground, several rows a meter of the catalog.

    `ground_rows` tells which. What a type and size have in common is the j-th state of sample
    j, at all ages the same; what is a meter's own is that of its row. A young meter has only
    what its type and size have: it loses as much on average as the catalog's. One of middle or
    unknown age may be better or worse, and loses somewhat more on average; one that is old and
    has moving parts, more again.
    """
    rng = np.random.default_rng([seed, _GROUND_STREAM])
    shape = (samples, len(meters), OWN_STATES)
    shared = [even_normal(rng, (samples, len(meters), 1)) for _ in range(2)]
    rank = (np.arange(OWN_STATES) + 0.5) / OWN_STATES
    own = [np.broadcast_to(ndtri(rng.permutation(rank)), shape) for _ in range(2)]
    principles = [principle_of(m.meter_type) for m in meters]
    power = np.array([p.loss_power for p in principles])[None, :, None]
    wears = np.array([p.has_moving_part for p in principles])[None, :, None]
    kept = -GROUND_KEPT * power * (GROUND_TYPE_SD**2 + GROUND_OWN_SD**2) / 2
    ln_stretch = kept + GROUND_TYPE_SD * shared[0] + GROUND_OWN_SD * own[0]
    leaning = own[1] * np.where(own[1] < 0, *GROUND_LEAN)
    common_error = GROUND_TYPE_ERROR_SD * shared[1]
    error = common_error + GROUND_OWN_ERROR_SD * leaning
    by_age = (
        (YOUNG_SD * shared[0] - power * YOUNG_SD**2 / 2, common_error),
        (ln_stretch, error),
        (ln_stretch + OLD_DRIFT * wears, error + OLD_ERROR * wears),
    )
    moved, errors = (np.concatenate(part, axis=2) for part in zip(*by_age, strict=True))
    every = tuple(m for m in meters for _ in range(_ENTRY_ROWS))
    flat = (samples, len(every))
    return table_of(every, *_curves(every, moved.reshape(flat), errors.reshape(flat)))


def _curves(meters: tuple[Meter, ...], ln_stretch: Array, error: Array) -> tuple[Array, Array]:
    """Ratios [J, M, table] and starts [J, M] of curves moved along the flow, and in error."""
    ratio = np.empty((*ln_stretch.shape, len(TABLE_FLOW_GPM)), dtype=np.float32)
    start = np.empty(ln_stretch.shape)
    ln_gpm = np.log(TABLE_FLOW_GPM)
    for row, meter in enumerate(meters):
        at, e = ln_stretch[:, row], error[:, row]
        lower = ratio_between_log(ln_gpm[None] - at[:, None], meter.registration)
        ratio[:, row] = np.clip(lower * (1 + e[:, None]), 0, HIGHEST_RATIO)
        static = not principle_of(meter.meter_type).has_moving_part
        low = meter.starting_gpm / STATIC_CUT_SPAN if static else 0.0
        top = meter.starting_gpm if static else np.inf
        start[:, row] = np.clip(meter.starting_gpm * np.exp(at), low, top)
    return ratio, start
