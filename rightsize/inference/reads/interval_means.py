"""Interval means of the installed meters, prepared for spreading into flows."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rightsize.contracts.profiles import ProfileBlock
from rightsize.demand.bands import BANDS_PER_DECADE
from rightsize.inference.reads.rounding import rests_rounded, unrounded
from rightsize.inference.spread import Reads

Array = NDArray[np.floating[Any]]

_HOURS_OF_A_DAY: Final = 4  # [1] steps from the quietest to the busiest: convention
_DAY_LOG_SD: Final = 0.55  # [log] of the hours of a day about its mean


def reads_of(block: ProfileBlock, resting_gpm: Array) -> Reads:
    """Shares of time by registered mean, unrounded; long intervals spread over their hours.

    Parameters
    ----------
    block : ProfileBlock
        Profiles of A meters.
    resting_gpm : array [A]
        What each registers of flow that never stops [gpm].
    """
    step = block.resolution_gal / block.interval_min
    count, zero = unrounded(block.band_count, block.zero_count, step, resting_gpm)
    share = count / np.maximum(count.sum(axis=1) + zero, 1)[:, None]
    is_long = block.interval_min > 60
    if is_long.any():
        share[is_long] = _by_hours(share[is_long], block.interval_min[is_long])
    zero_share = np.maximum(1 - share.sum(axis=1), 0.0)
    start = np.zeros((block.size, 1))
    return Reads(
        np.concatenate([start, np.cumsum(share, axis=1)], axis=1),
        zero_share,
        rests_rounded(resting_gpm, step),
    )


def _by_hours(share: Array, interval_min: Array) -> Array:
    """Means of intervals longer than an hour spread over their hours [A, B].

    Use follows the day: the hours of a day stand to its mean as lognormal factors, wider the
    longer the interval (our convention; an ordinary demand pattern has a coefficient of
    variation near 0.6 over the day), of which the busiest stands near three times the day's
    mean. The mean of every interval is kept.
    """
    part = np.minimum(np.log(np.maximum(interval_min, 60) / 60) / np.log(24), 1.0)
    out = np.zeros_like(share)
    for level in np.unique(part):
        mine = part == level
        sd = _DAY_LOG_SD * np.sqrt(level)
        for z, weight in zip(*np.polynomial.hermite_e.hermegauss(_HOURS_OF_A_DAY), strict=True):
            shift = (sd * z - sd**2 / 2) / np.log(10) * BANDS_PER_DECADE
            low = int(np.floor(shift))
            for move, part_of in ((low, 1 - (shift - low)), (low + 1, shift - low)):
                out[mine] += weight / np.sqrt(2 * np.pi) * part_of * _moved(share[mine], move)
    return out


def _moved(share: Array, bands: int) -> Array:
    """Shares shifted up or down by a number of bands, accumulated at the ends."""
    index = np.clip(np.arange(share.shape[1]) + bands, 0, share.shape[1] - 1)
    out = np.zeros_like(share)
    np.add.at(out.T, index, share.T)
    return out
