"""Evidence on an account's uses: dispersions, largest intervals, ceilings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rightsize.contracts.profiles import ProfileBlock
from rightsize.demand.bands import BAND_CENTRES_GPM, BAND_COUNT
from rightsize.inference.peaks import SUSTAINED_EXCEEDED
from rightsize.inference.reads.rounding import rounding_variance

Array = NDArray[np.floating[Any]]

# Set by hand and fitted on simulated fleets; which fleets is not recorded. Where a line names
# another origin, that holds.
_DISPERSION_SD: Final = 0.2  # [log] error of a dispersion
_LONG_SD: Final = 1.2  # [log] reads over an hour vary with the weather, not with uses
_ROUNDING_DOUBT: Final = 0.5  # [log] error for all of a dispersion being rounding
_ROUNDING_NEAR: Final = 1.5  # [1] derived: two neighbors share a reading, covariance -1/2
_LEAST_SHARE: Final = 0.02  # [1] of the variance, that is called uses of water
_LEAST_NEAR_SHARE: Final = 0.25  # [1] of the near variance, left when swings are taken off
_LEAST_MEAN_SHARE: Final = 0.05  # [1] of the mean, that lies above the steady flow
_MOST_STEEPNESS: Final = 0.8  # [1] more is an estimate gone wrong: convention
_LEAST_UNSTEEP: Final = 0.2  # [1] what is left of that
_TINY_GPM2: Final = 1e-6  # [gpm2, gpm] no variance and no mean is below: convention
_TOP_BANDS: Final = 1  # [bands] below the largest: above 4/5 of it, as good as equal
_HIGH_BANDS: Final = 5  # [bands] below the largest: above half of it
_TOP_COUNT: Final = (0.5, 6.0)  # [intervals] added to both counts: as without a ceiling


@dataclass(frozen=True)
class UseSigns:
    """Evidence in the reads of A accounts on their uses."""

    interval_min: Array  # [A]
    far_gpm: Array  # [A] (variance - covariance 2 and 3 intervals apart) / mean
    near_gpm: Array  # [A] (variance - neighbor covariance) / mean
    total_gpm: Array  # [A] variance / mean
    log_sd: Array  # [A] error of the dispersions in log, rounding of the register included
    busy_gpm: Array  # [A] root mean square of the mean flows by month and hour of week
    largest_gpm: Array  # [A] largest interval mean
    sustained_gpm: Array  # [A] interval mean exceeded 0.5 % of the time
    top_share: Array  # [A] of intervals above half the largest, the share above 4/5 of it

    def of(self, accounts: NDArray[np.int64]) -> UseSigns:
        """The evidence of some of the accounts."""
        return UseSigns(**{name: value[accounts] for name, value in vars(self).items()})


def pulse_variance(block: ProfileBlock, rounding: Array | None = None) -> Array:
    """Variance of interval means due to uses [gpm2, A], without day-to-day variation.

    `rounding` is `rounding_of(block)`, where it is at hand.
    """
    inflate = block.reads_used / np.maximum(block.within_dof, 1)
    far = block.lag_ss[:, 1:].sum(axis=1) / np.maximum(block.lag_count[:, 1:].sum(axis=1), 1)
    variance = block.within_ss / np.maximum(block.within_dof, 1)
    rounding = rounding_of(block) if rounding is None else rounding
    return np.asarray(
        np.maximum(variance - inflate * far - rounding, _LEAST_SHARE * variance + _TINY_GPM2)
    )


def _steepness(block: ProfileBlock) -> Array:
    """Share of day-to-day variation left in a difference of neighbors [1, A].

    A day that is busier by a factor lifts every hour by that factor; two neighboring hours
    then differ as their means do.
    """
    hours = block.slot_step_ss / np.maximum(block.slot_ss, 1e-12)
    return np.asarray(
        np.clip(hours, 0.0, _MOST_STEEPNESS) * np.minimum(block.interval_min / 60, 1.0)
    )


def rounding_of(block: ProfileBlock) -> Array:
    """Variance that the register's steps add to interval means [gpm2, A]."""
    step = block.resolution_gal / block.interval_min
    return rounding_variance(block.band_count, block.zero_count, step)


def signs_of(block: ProfileBlock, steady_gpm: Array, rounding: Array | None = None) -> UseSigns:
    """Evidence on uses above a steady flow [A]; `rounding` as for `pulse_variance`."""
    total = np.maximum(block.band_count.sum(axis=1) + block.zero_count, 1)
    mean = block.band_gal.sum(axis=1) / (total * block.interval_min)
    mean = np.maximum(mean - steady_gpm, _LEAST_MEAN_SHARE * mean + _TINY_GPM2)
    variance = block.within_ss / np.maximum(block.within_dof, 1)
    inflate = block.reads_used / np.maximum(block.within_dof, 1)
    lag = inflate[:, None] * block.lag_ss / np.maximum(block.lag_count, 1)
    rounding = rounding_of(block) if rounding is None else rounding
    floor = _LEAST_SHARE * variance + _TINY_GPM2
    steep = _steepness(block)
    swings = np.maximum(lag[:, 0], 0.0) / np.maximum(1 - steep, _LEAST_UNSTEEP)
    far = np.maximum(variance - lag[:, 1:].mean(axis=1) - rounding, floor)
    near = variance - lag[:, 0] - _ROUNDING_NEAR * rounding
    near = np.maximum(near - steep * swings, np.maximum(_LEAST_NEAR_SHARE * near, floor))
    return UseSigns(
        block.interval_min,
        far / mean,
        near / mean,
        np.maximum(variance - rounding, floor) / mean,
        np.hypot(_DISPERSION_SD, _ROUNDING_DOUBT * rounding / far)
        + _LONG_SD * (block.interval_min > 60),
        np.maximum(np.sqrt(block.slot_ss / np.maximum(block.reads_used, 1)) - steady_gpm, mean),
        block.max_interval_gpm - steady_gpm,
        _exceeded(block.band_count, total, SUSTAINED_EXCEEDED) - steady_gpm,
        _top_share(block),
    )


def _exceeded(band_count: Array, total: Array, share: float) -> Array:
    above = np.cumsum(band_count[:, ::-1], axis=1)[:, ::-1]
    last = np.maximum((above >= share * total[:, None]).sum(axis=1) - 1, 0)
    return np.asarray(BAND_CENTRES_GPM[last])


def _top_share(block: ProfileBlock) -> Array:
    """Clump at the top: a ceiling of one use at a time shows as many nearly equal maxima."""
    last = BAND_COUNT - 1 - np.argmax(block.band_count[:, ::-1] > 0, axis=1)
    at = np.arange(BAND_COUNT)[None]
    near = ((at >= last[:, None] - _TOP_BANDS) * block.band_count).sum(axis=1)
    wide = ((at >= last[:, None] - _HIGH_BANDS) * block.band_count).sum(axis=1)
    return np.asarray((near + _TOP_COUNT[0]) / (wide + _TOP_COUNT[1]))
