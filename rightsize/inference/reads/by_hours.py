"""Short reads of a coarse register, taken as the hours that they add up to.

A register of 100 gallons read every 15 minutes shows no flow most of the time, then a step:
where few steps pass in an interval, its reads no longer tell a trickle from a short use. Four
of them together tell more than each of them does.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rightsize.contracts.profiles import ProfileBlock
from rightsize.demand.bands import BAND_CENTRES_GPM

Array = NDArray[np.float64]

HOUR_MIN: Final = 60.0  # [min]: definition
MOST_ROUNDING_SHARE: Final = 0.02
"""Of the variance of short reads, what the register's steps may add [1]. Set on simulated
fleets 31 and 32, read in steps of 1 to 100 gal: unregistered volume from 15-min reads then is
that from hourly reads."""
_LAGS: Final = 3  # [1] of the profile: contract
_SLOWEST: Final = 0.995  # [1] of a covariance, left after one interval more: convention


def read_by_hours(block: ProfileBlock, rounding: NDArray[np.floating[Any]]) -> ProfileBlock:
    """The block with hours in place of short reads that are mostly rounding.

    Parameters
    ----------
    block : ProfileBlock
        Profiles of A meters.
    rounding : array [A]
        Variance that the register's steps add to interval means [gpm2] (`rounding_of`).

    Returns
    -------
    ProfileBlock
        Unchanged where steps are fine or reads no shorter than an hour.
    """
    coarse = is_coarse(block, rounding)
    if not coarse.any():
        return block
    hours = _hours(block)

    def chosen(new: Array | float, old: Array) -> Array:
        return np.where(coarse.reshape(-1, *([1] * (old.ndim - 1))), new, old)

    per = np.maximum(HOUR_MIN / block.interval_min, 1.0)
    seen = block.hour_count.sum(axis=1)
    moments = _hour_moments(block, coarse)
    groups = block.reads_used - block.within_dof
    return replace(
        block,
        interval_min=chosen(HOUR_MIN, block.interval_min),
        reads_used=chosen(hours, block.reads_used),
        band_count=chosen(block.hour_count, block.band_count),
        band_gal=chosen(block.hour_count * BAND_CENTRES_GPM * HOUR_MIN, block.band_gal),
        zero_count=chosen(np.clip(hours - seen, 0.0, block.zero_count / per), block.zero_count),
        within_ss=chosen(moments[:, 0] * hours, block.within_ss),
        within_dof=chosen(np.maximum(hours - groups, 1.0), block.within_dof),
        lag_ss=chosen(moments[:, 1:] * hours[:, None], block.lag_ss),
        lag_count=chosen(hours[:, None], block.lag_count),
        slot_ss=chosen(block.slot_ss / per, block.slot_ss),
        slot_step_ss=chosen(block.slot_step_ss / per, block.slot_step_ss),
        max_interval_gpm=chosen(block.max_hour_gpm, block.max_interval_gpm),
    )


def is_coarse(block: ProfileBlock, rounding: NDArray[np.floating[Any]]) -> NDArray[np.bool_]:
    """Whether reads shorter than an hour are mostly rounding, `rounding` [gpm2] of it [A]."""
    variance = block.within_ss / np.maximum(block.within_dof, 1)
    is_part = (block.interval_min < HOUR_MIN) & (HOUR_MIN % block.interval_min == 0)
    has_hours = block.hour_count.sum(axis=1) > 0
    return np.asarray(is_part & has_hours & (rounding > MOST_ROUNDING_SHARE * variance))


def _hours(block: ProfileBlock) -> Array:
    intervals = block.band_count.sum(axis=1) + block.zero_count
    return np.asarray(intervals * block.interval_min / HOUR_MIN)


def _hour_moments(block: ProfileBlock, rows: NDArray[np.bool_]) -> Array:
    """Mean square deviation of hours, and mean products 1, 2 and 3 hours apart [gpm2, A x 4].

    Notes
    -----
    An hour's deviation is the mean of its intervals', so its moments are sums of theirs. What
    lies more than three intervals apart is not in a profile: it is taken to fall off as from
    the second interval to the third, down to what days differ by.
    """
    out = np.zeros((block.size, _LAGS + 1))
    for interval_min in np.unique(block.interval_min[rows]):
        mine = rows & (block.interval_min == interval_min)
        per = round(HOUR_MIN / interval_min)
        apart = np.arange(-per + 1, per)
        weight = (per - np.abs(apart)) / per**2
        covariance = _covariances(block, mine, per * (_LAGS + 1))
        for k in range(_LAGS + 1):
            out[mine, k] = covariance[:, np.abs(k * per + apart)] @ weight
    out[:, 0] = np.maximum(out[:, 0], 0.0)
    return out


def _covariances(block: ProfileBlock, rows: NDArray[np.bool_], count: int) -> Array:
    """Mean products of deviations 0 to `count` - 1 intervals apart [gpm2, rows x count]."""
    own = block.within_ss[rows] / np.maximum(block.reads_used[rows], 1)
    lagged = block.lag_ss[rows] / np.maximum(block.lag_count[rows], 1)
    between = block.day_ss[rows] / np.maximum(block.day_dof[rows], 1)
    floor = np.minimum(between * block.within_dof[rows] / block.reads_used[rows], lagged[:, 1])
    above = lagged[:, 1] - floor
    left = np.where(above > 0, (lagged[:, 2] - floor) / np.where(above > 0, above, 1.0), 0.0)
    further = np.arange(count - _LAGS - 1) + 2
    fall = np.clip(left, 0.0, _SLOWEST)[:, None] ** further
    beyond = floor[:, None] + above[:, None] * fall
    return np.concatenate([own[:, None], lagged, beyond], axis=1)
