"""Ways of drawing water that an account's reads allow: draws of intensity and duration."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from rightsize.contracts.profiles import ProfileBlock
from rightsize.inference.priors import Atoms
from rightsize.inference.pulses import variance_ratio

Array = NDArray[np.floating[Any]]

INTENSITY_CV: Final = 0.6
PEAK_MIN: Final = 1 / 6  # the peak is a 10 s flow
RATIOS: Final = (1.0, 3.0, 6.0, 12.0)
SHARES: Final = (0.2, 0.5, 0.8)
_ADJUST_SD: Final = 0.6  # how far a site may stray from its prior atom in log draw volume
_ADJUST_ON_FLOW: Final = 0.35  # part of that stray that is intensity, the rest is duration
_DISPERSION_SD: Final = 0.25
_EFFECTIVE: Final = 1 + INTENSITY_CV**2


@dataclass(frozen=True)
class Draws:
    """Joint draws of how an account draws water, shapes [J, A]."""

    intensity_gpm: Array  # mean 10 s intensity of the small kind
    ratio: NDArray[np.int64]  # index into RATIOS: large kind over small kind
    share: NDArray[np.int64]  # index into SHARES: volume of the large kind
    steady_share: Array  # share of intervals that one draw fills (long draws) [1]
    duration_min: Array  # volume-weighted duration of a draw [min]


def dispersion_gpm(block: ProfileBlock) -> Array:
    """Variance over mean of interval mean flow, within month and hour of week [gpm].

    The variance that a register's rounding adds to a difference of two readings (step squared
    over 6) is taken off.
    """
    total = np.maximum(block.band_count.sum(axis=1) + block.zero_count, 1)
    mean = block.band_gal.sum(axis=1) / (total * block.interval_min)
    variance = block.within_ss / np.maximum(block.within_dof, 1)
    rounding = (block.resolution_gal / block.interval_min) ** 2 / 6
    floor = 1e-3 * np.maximum(mean, 1e-3)
    return np.asarray(
        np.maximum(variance - rounding, 0.02 * variance + floor**2) / np.maximum(mean, 1e-6)
    )


def draw_candidates(
    atoms: Atoms, dispersion: Array, interval_min: Array, uniforms: Array
) -> Draws:
    """Draws for accounts of one class, weighted by how well they explain the dispersion.

    Parameters
    ----------
    atoms : Atoms
        Sites of the class prior [N].
    dispersion, interval_min : array [A]
        Variance over mean [gpm] and read interval [min].
    uniforms : array [J, A, 2]
        Which atom, and the error of the dispersion.

    Returns
    -------
    Draws
        Equally weighted.
    """
    expected = np.log(_dispersion_of(atoms, interval_min))
    observed = np.log(dispersion)
    misfit = observed[None] - expected
    sd = np.hypot(_ADJUST_SD, _DISPERSION_SD)
    chosen = _resample(np.exp(-0.5 * (misfit / sd) ** 2) + 1e-12, uniforms[..., 0])
    noisy = observed[None] + _DISPERSION_SD * ndtri(uniforms[..., 1])
    misfit = noisy - np.take_along_axis(expected, chosen, axis=0)
    return _fitted(atoms, chosen, np.exp(noisy), misfit, interval_min)


def _dispersion_of(atoms: Atoms, interval_min: Array) -> Array:
    """Variance over mean [gpm] of every atom at every account's interval [N, A]."""
    small = (1 - atoms.large_share) * atoms.small_gpm
    large = atoms.large_share * atoms.large_gpm
    t = interval_min[None]
    return np.asarray(
        _EFFECTIVE
        * (
            small[:, None] * variance_ratio(t, atoms.small_min[:, None])
            + large[:, None] * variance_ratio(t, atoms.large_min[:, None])
        )
    )


def _resample(weight: Array, uniform: Array) -> NDArray[np.int64]:
    """Atom of each uniform by the inverse of the weights' distribution [J, A]."""
    cumulative = np.cumsum(weight, axis=0)
    cumulative = cumulative / cumulative[-1:]
    return np.asarray(
        [
            np.searchsorted(cumulative[:, i], uniform[:, i]).clip(0, len(weight) - 1)
            for i in range(weight.shape[1])
        ],
        dtype=np.int64,
    ).T


def _fitted(
    atoms: Atoms, chosen: NDArray[np.int64], wanted: Array, misfit: Array, interval_min: Array
) -> Draws:
    """Move each chosen atom so that it shows the wanted dispersion."""
    flow_factor = np.exp(_ADJUST_ON_FLOW * misfit)
    small = atoms.small_gpm[chosen] * flow_factor
    large = atoms.large_gpm[chosen] * flow_factor
    share = atoms.large_share[chosen]
    small_min, large_min = atoms.small_min[chosen], atoms.large_min[chosen]
    stretch = _stretch(wanted, small, small_min, large, large_min, share, interval_min)
    return _reduced(small, small_min * stretch, large, large_min * stretch, share, interval_min)


def _mixed(
    small: Array, small_min: Array, large: Array, large_min: Array, share: Array, t: Array
) -> Array:
    return np.asarray(
        _EFFECTIVE
        * (
            (1 - share) * small * variance_ratio(t, small_min)
            + share * large * variance_ratio(t, large_min)
        )
    )


def _stretch(
    wanted: Array, small: Array, small_min: Array, large: Array, large_min: Array, share: Array,
    t: Array,
) -> Array:  # fmt: skip
    """Common factor on durations at which the dispersion is as wanted (halving)."""
    low = np.full(wanted.shape, np.log(1e-3))
    high = np.full(wanted.shape, np.log(1e3))
    for _ in range(18):
        middle = 0.5 * (low + high)
        factor = np.exp(middle)
        short = _mixed(small, small_min * factor, large, large_min * factor, share, t) < wanted
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    return np.asarray(np.exp(0.5 * (low + high)))


def _reduced(
    small: Array, small_min: Array, large: Array, large_min: Array, share: Array, t: Array
) -> Draws:
    """To 10 s intensities, the nearest kernel, and the share of intervals filled by a draw."""
    small_10s = small * variance_ratio(PEAK_MIN, small_min)
    large_10s = large * variance_ratio(PEAK_MIN, large_min)
    power = (1 - share) * small + share * large
    filled = (
        (1 - share) * small * variance_ratio(t, small_min)
        + share * large * variance_ratio(t, large_min)
    ) / power
    duration = ((1 - share) * small * small_min + share * large * large_min) / power
    ratio = large_10s / small_10s
    index = np.argmin(np.abs(np.log(ratio)[..., None] - np.log(RATIOS)), axis=-1)
    index = np.where((share < 0.1) | (share > 0.9) | (ratio < 1.7), 0, index)
    single = (1 - share) * small_10s + share * large_10s
    nearest = np.argmin(np.abs(share[..., None] - np.array(SHARES)), axis=-1)
    paired = single / (
        1 - np.array(SHARES)[nearest] + np.array(SHARES)[nearest] * np.array(RATIOS)[index]
    )
    return Draws(np.where(index == 0, single, paired), index, nearest, filled, duration)
