"""Steady flow from the nights: their minimum hours, without use events."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from rightsize.contracts.profiles import ProfileBlock
from rightsize.demand.bands import BAND_CENTRES_GPM, BAND_EDGES_GPM
from rightsize.inference.reads.rounding import ROUNDING_PARTS

Array = NDArray[np.floating[Any]]

# Set by hand and fitted on simulated fleets; which fleets is not recorded. Where a line names
# another origin, that holds.
_LEAST_OF_SIX: Final = 0.96  # [1] sd of a least hour of six: 10th to 50th percentile over it
_NIGHT_SD: Final = 0.5  # [log] error of the dispersion of night uses against that of all
_NIGHT_SHIFT: Final = 0.2  # [log] night uses are smaller than those of the day
_LEAST_SPREAD: Final = 0.02  # [1] of night flow: no steady flow is steadier
_LEAST_SHARE: Final = 0.8  # [1] a meter may register so much less at its start than its type
_GRID: Final = 24  # [1] steps of steady flow tried: convention
_LOW_NIGHTS: Final = 0.1  # [1] nights below: in so few all is steady flow; convention
_MIDDLE_NIGHTS: Final = 0.5  # [1] median night
_MEAN_OVER_LEAST: Final = 0.6  # [sd] the mean of a night lies so far above its least hour
_LEAST_DRAWN: Final = 1e-3  # [1] of the night flow, never counted as steady: convention
_LEAST_ABOVE: Final = 0.1  # [1] of the mean flow, that lies above the steady flow
_LEAST_HOURLY: Final = 0.05  # [1] of the mean square of hours, left as their own variance
_LEAST_USE: Final = 0.1  # [1] of the mean flow, that is use: convention
LEAST_USE_GPM: Final = 1e-3  # [gpm] 1.4 gallons a day: convention
MINUTES_PER_DAY: Final = 1440.0  # [min]: definition
_TINY_GPM2: Final = 1e-6  # [gpm2] so that a variance has a logarithm: convention


@dataclass(frozen=True)
class SteadyLaw:
    """Odds of steady flow and its lognormal size at A accounts."""

    share: Array  # [A]
    centre_log: Array  # [A] log of the median [gpm]
    log_sd: Array  # [A]


def night_quantile(block: ProfileBlock, quantile: float) -> Array:
    """Quantile of the nights' least 60-min mean [gpm], 0 where such nights registered nothing.

    Parameters
    ----------
    block : ProfileBlock
        Profiles of A meters.
    quantile : float
        Between 0 and 1.

    Returns
    -------
    array [A]
        Registered flow [gpm], interpolated in log flow within its band.
    """
    return quantile_of_nights(block.night_count, block.night_zero_count, quantile)


def quantile_of_nights(count: Array, zero_count: Array, quantile: float) -> Array:
    """The same of nights by band of their least hour [A, B] and those without flow [A]."""
    total = count.sum(axis=1) + zero_count
    wanted = quantile * total
    below = zero_count[:, None] + np.cumsum(count, axis=1)
    band = np.minimum((below < wanted[:, None]).sum(axis=1), below.shape[1] - 1)
    rows = np.arange(len(count))
    inside = np.maximum(count[rows, band], 1e-9)
    share = np.clip(1 - (below[rows, band] - wanted) / inside, 0, 1)
    flow = BAND_EDGES_GPM[band] * (BAND_EDGES_GPM[band + 1] / BAND_EDGES_GPM[band]) ** share
    return np.where((wanted > zero_count) & (total > 0), flow, 0.0)


def use_gpm(block: ProfileBlock) -> Array:
    """Mean registered flow above the lowest nights' [gpm, A]; NaN where nothing registered."""
    minutes = np.maximum(block.days_covered, 1e-9) * MINUTES_PER_DAY
    mean = block.registered_gal / minutes
    low = night_quantile(block, _LOW_NIGHTS)
    use = np.maximum(mean - low, np.maximum(_LEAST_USE * mean, LEAST_USE_GPM))
    return np.where(block.registered_gal > 0, use, np.nan)


def steady_seen(
    block: ProfileBlock,
    pulse_variance: Array,
    prior: SteadyLaw,
    least_gpm: Array,
    uniform: Array,
) -> Array:
    """Registered steady flow under the nights' uses [gpm, J x A]; 0 where none is seen.

    Parameters
    ----------
    block : ProfileBlock
        Profiles of A meters.
    pulse_variance : array [A]
        Variance of interval means that uses cause [gpm2].
    prior : SteadyLaw
        Odds and size of steady flow before the nights are looked at.
    least_gpm : array [A]
        Smallest steady flow that each meter registers [gpm].
    uniform : array [J, A]
        Position of each sample in its posterior distribution.

    Notes
    -----
    Uses of dispersion D (variance over mean) that flow at mean n over a steady flow vary by
    D n. The spread of the nights' least hours so tells how much of the night flow is uses,
    give or take how far uses of the night differ from those of the day; what is left is
    steady. It lies between nothing and the tenth percentile of the nights.
    """
    low, middle = (night_quantile(block, q) for q in (_LOW_NIGHTS, _MIDDLE_NIGHTS))
    rounding = (block.resolution_gal / 60.0) ** 2 / ROUNDING_PARTS
    spread = np.maximum(((middle - low) / _LEAST_OF_SIX) ** 2 - rounding, 0.0)
    spread = np.maximum(spread, (_LEAST_SPREAD * middle) ** 2)
    top = low + block.resolution_gal / 60.0  # of a rounded hour
    steady, weight = _night_grid(np.where(low > 0, top, 0.0), prior, _LEAST_SHARE * least_gpm)
    drawn = np.maximum(
        (middle + _MEAN_OVER_LEAST * np.sqrt(spread))[:, None] - steady,
        _LEAST_DRAWN * middle[:, None],
    )
    day = _dispersion(block, pulse_variance, steady)
    misfit = (
        np.log(np.maximum(spread[:, None], 1e-12) / np.maximum(drawn, 1e-9))
        - np.log(day)
        + _NIGHT_SHIFT
    )
    misfit = np.where(middle[:, None] > 0, misfit, 0.0)
    log_weight = np.log(np.maximum(weight, 1e-300)) - 0.5 * (misfit / _NIGHT_SD) ** 2
    chance = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))
    return _sampled_from(steady, chance, uniform)


def _night_grid(top: Array, prior: SteadyLaw, least_gpm: Array) -> tuple[Array, Array]:
    """Steady flows consistent with the nights, zero first, and their prior odds [A, G]."""
    part = (np.arange(_GRID) + 0.5) / _GRID
    bottom = np.minimum(least_gpm, top)
    steady = bottom[:, None] + (top - bottom)[:, None] * part
    z = (np.log(np.maximum(steady, 1e-9)) - prior.centre_log[:, None]) / prior.log_sd[:, None]
    density = np.exp(-0.5 * z**2) / (np.maximum(steady, 1e-9) * prior.log_sd[:, None])
    width = (top - bottom)[:, None] / (_GRID * np.sqrt(2 * np.pi))
    seen = prior.share[:, None] * density * width
    z0 = (np.log(np.maximum(bottom, 1e-9)) - prior.centre_log) / prior.log_sd
    none = 1 - prior.share * (1 - ndtr(z0))
    zero = np.zeros((len(top), 1))
    return np.hstack([zero, steady]), np.hstack([none[:, None], seen])


def _dispersion(block: ProfileBlock, pulse_variance: Array, steady_gpm: Array) -> Array:
    """Variance over mean of 60-min means of uses above each steady flow [gpm, A x G]."""
    total = np.maximum(block.band_count.sum(axis=1) + block.zero_count, 1)
    mean = block.band_gal.sum(axis=1) / (total * block.interval_min)
    hourly = np.where(block.interval_min < 60, _hour_variance(block), pulse_variance)
    above = np.maximum(mean[:, None] - steady_gpm, _LEAST_ABOVE * mean[:, None] + 1e-9)
    return np.asarray(np.maximum(hourly[:, None] / above, 1e-9))


def _hour_variance(block: ProfileBlock) -> Array:
    """Variance of 60-min means within hours of the week, without day-to-day variation [A].

    Reads shorter than an hour tell their own variance, not that of hours: uses last.
    """
    hours = np.maximum(block.days_covered * 24, 1.0)
    square = block.hour_count @ BAND_CENTRES_GPM**2 / hours
    whole = square - block.slot_ss / np.maximum(block.reads_used, 1)
    between = block.day_ss / np.maximum(block.day_dof, 1)
    return np.asarray(np.maximum(whole - between, _LEAST_HOURLY * square + _TINY_GPM2))


def _sampled_from(value: Array, chance: Array, uniform: Array) -> Array:
    """Values [A, G] sampled by probability at each uniform [J, A], uniform within a step."""
    cumulative = np.cumsum(chance, axis=1)
    cumulative /= cumulative[:, -1:]
    at = np.minimum((cumulative[None] < uniform[..., None]).sum(axis=-1), value.shape[1] - 1)
    rows = np.arange(len(value))[None]
    before = np.where(at > 0, cumulative[rows, np.maximum(at - 1, 0)], 0.0)
    part = (uniform - before) / np.maximum(cumulative[rows, at] - before, 1e-12)
    step = (value[:, -1] - value[:, -2])[None]
    return np.asarray(np.where(at > 0, value[rows, at] + (part - 0.5) * step, 0.0))
