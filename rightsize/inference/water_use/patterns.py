"""Patterns of use consistent with an account's reads: intensity and duration of uses.

The class prior is a set of sites (`priors.atoms_of`). Each is weighted by how well it
explains the evidence in the reads, then adjusted so that it explains it better:

- variance over mean within month and hour of week, less the covariance of neighbors: swings
  from day to day raise both alike and cancel;
- the same less the covariance two and three intervals apart, and without: what they show more
  than the first is long uses, or swings, which only add;
- the largest interval, where a site's large uses run one at a time: it is close to their
  intensity when they fill an interval.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from rightsize.inference.reads.signs import UseSigns
from rightsize.inference.uniforms import Uniforms
from rightsize.inference.water_use.kernels import INTENSITY_CV
from rightsize.inference.water_use.priors import Atoms
from rightsize.inference.water_use.pulses import covariance_ratio, variance_ratio

Array = NDArray[np.floating[Any]]

# Set by hand and fitted on simulated fleets; which fleets is not recorded. Where a line names
# another origin, that holds.
PEAK_MIN: Final = 1 / 6  # [min] the peak is a 10 s flow: convention
RATIOS: Final = (3.0, 6.0, 12.0)  # [1] grid of kernels: large over small kind; convention
SHARES: Final = (0.2, 0.5, 0.8)  # [1] grid of kernels: share of the large kind; convention
SINGLE_SHARES: Final = (0.2, 0.5, 0.8, 1.0)  # [1] the same, run one at a time; convention
_STRAY_SD: Final = 0.6  # [log] how far a site may stray from its prior in log volume of a use
_STRAY_ON_FLOW: Final = 0.35  # [1] part of that stray that is intensity, the rest is duration
_SINGLE_DISPERSION_SD: Final = 1.2  # [log] schedules hide the variance of single uses
_SINGLE_STRAY_SD: Final = 0.5  # [log] how far a site's single intensity may stray
_SINGLE_SHAPE_SD: Final = 1.5  # [log] schedules bend covariances too: hardly any evidence
_SHAPE_SD: Final = 0.25  # [log] error of the other dispersions against the near one
_FAR_LAGS: Final = (2, 3)  # [intervals] those of the profile: contract
_LEAST_VARIANCE_RATIO: Final = 1e-4  # [1] so that it has a logarithm: convention
_USUAL_TOP_SHARE: Final = 0.08  # [1] `top_share` where no ceiling clumps the maxima
_CLUMP_ODDS: Final = (0.2, 6.0)  # [1] most that a clump says against and for a ceiling
_FILLING_FACTOR: Final = 1.5  # [1] the fullest interval holds so many mean durations
_LEAST_SINGLE_SHARE: Final = 0.3  # [1] of the largest interval, that the single use makes
_UNFILLED_RATE: Final = 1.5  # [1] an interval of n durations is in doubt by exp(-1.5 / n)
_UNFILLED_PULL: Final = 0.6  # [1] part of the misfit not followed where in doubt
_FILLED_SD: Final = 0.08  # [log] of the intensity read off a filled interval of an hour
_UNFILLED_SD: Final = 0.25  # [log] more where the interval is not filled
_TWO_KINDS_SHARE: Final = (0.1, 0.9)  # [1] outside, one kind of use serves for both
_TWO_KINDS_RATIO: Final = (1.7, 40)  # [1] the same of large over small intensity
_LEAST_INNER: Final = 0.02  # [1] variance that even a long use keeps inside an interval
_COVERED_POWER: Final = 0.75  # [1] variance at the top halves; flow above the mean less so
_EFFECTIVE: Final = 1 + INTENSITY_CV**2  # [1] Buchberger and Wu 1995: mean square of intensity


@dataclass(frozen=True)
class Patterns:
    """Joint samples of how an account uses water, shapes [J, A].

    Intensities are those that remain unknown inside an interval of known mean: the variance
    at 10 s less that of interval means, over the mean.
    """

    unit_gpm: Array  # intensity of the small kind
    ratio: Array  # large kind over small kind
    share: Array  # volume share of the large kind
    is_single: NDArray[np.bool_]  # large uses run one at a time
    duration_min: Array  # volume-weighted duration of a use
    lift: Array  # flow above the mean, in the largest intervals over that elsewhere
    edge_gpm: Array  # flow of a small use itself
    edge_part: Array  # how far intervals below it are begun or ended uses, not steady flow
    edge_filled: Array  # intervals that a small use fills, over those it begins or ends


def patterns_of(atoms: Atoms, signs: UseSigns, uniforms: Uniforms) -> Patterns:
    """Patterns for accounts of one class, weighted by how well they explain the reads.

    Parameters
    ----------
    atoms : Atoms
        Sites of the class prior [N].
    signs : UseSigns
        Of A accounts.
    uniforms : Uniforms
        Of the same accounts.

    Returns
    -------
    Patterns
        Equally weighted.
    """
    expected = _expected(atoms, signs.interval_min)
    misfit = np.log(signs.near_gpm) - np.log(expected.near)
    single = _single_misfit(atoms, signs)
    weight = _weight(atoms, signs, expected, misfit, single)
    chosen = _resample(weight, uniforms.pattern)
    return _moved(
        atoms,
        chosen,
        np.take_along_axis(misfit, chosen, axis=0) * _trust(signs)
        + _STRAY_SD * np.sqrt(1 - _trust(signs)) * ndtri(uniforms.dispersion_error),
        np.take_along_axis(single, chosen, axis=0),
        ndtri(uniforms.single_error),
        signs,
    )


def _trust(signs: UseSigns) -> Array:
    """Part of a misfit explained by the site's uses; the rest is error of the dispersion."""
    return np.asarray(_STRAY_SD**2 / (_STRAY_SD**2 + signs.log_sd**2))


@dataclass(frozen=True)
class _Expected:
    far: Array  # [N, A]
    near: Array
    total: Array


def _expected(atoms: Atoms, interval_min: Array) -> _Expected:
    """Dispersions [gpm] of every atom at every account's interval [N, A]."""
    lengths, where = np.unique(interval_min, return_inverse=True)
    of_length = np.stack([_dispersions(atoms, length) for length in lengths.tolist()], axis=-1)
    return _Expected(*of_length[..., where])


@lru_cache(maxsize=512)
def _dispersions(atoms: Atoms, interval_min: float) -> Array:
    """Far, near and total dispersion [gpm] of every atom at one interval length [3, N]."""
    power = ((1 - atoms.large_share) * atoms.small_gpm, atoms.large_share * atoms.large_gpm)
    small, large = (_ratios(interval_min, d) for d in (atoms.small_min, atoms.large_min))
    return np.asarray(_EFFECTIVE * (power[0] * small + power[1] * large))


def _ratios(interval_min: float, duration_min: Array) -> Array:
    """Far, near and total variance of interval averages over the flow's own [3, N]."""
    own = variance_ratio(interval_min, duration_min)
    far = [covariance_ratio(interval_min, duration_min, lag=lag) for lag in _FAR_LAGS]
    near = own - covariance_ratio(interval_min, duration_min)
    return np.stack(
        [
            np.maximum(own - 0.5 * far[0] - 0.5 * far[1], _LEAST_VARIANCE_RATIO),
            np.maximum(near, _LEAST_VARIANCE_RATIO),
            own,
        ]
    )


def _weight(
    atoms: Atoms, signs: UseSigns, expected: _Expected, misfit: Array, single: Array
) -> Array:
    sd = np.where(
        atoms.is_single[:, None], _SINGLE_DISPERSION_SD, np.hypot(_STRAY_SD, signs.log_sd)
    )
    log_weight = -0.5 * (misfit / sd) ** 2
    swings = np.log(np.maximum(signs.total_gpm / signs.near_gpm, 1.0))
    loose = np.where(atoms.is_single[:, None], _SINGLE_SHAPE_SD, 0.0)
    for shown, of_atom in ((signs.far_gpm, expected.far), (signs.total_gpm, expected.total)):
        left = np.log(shown) - np.log(of_atom) - misfit  # swings between days add, never take
        wide = np.hypot(signs.log_sd, np.where(left > 0, swings, 0.0))
        log_weight += -0.5 * (left / np.hypot(_SHAPE_SD, wide + loose)) ** 2
    clump = np.log(np.clip(signs.top_share / _USUAL_TOP_SHARE, *_CLUMP_ODDS))
    alone = clump - 0.5 * (single / _SINGLE_STRAY_SD) ** 2
    log_weight += np.where(atoms.is_single[:, None], alone, 0.0)
    return np.asarray(np.exp(log_weight - log_weight.max(axis=0)))


def _single_misfit(atoms: Atoms, signs: UseSigns) -> Array:
    """Log of the intensity that the largest interval shows over the atom's own [N, A]."""
    filled = np.minimum(1.0, _FILLING_FACTOR * atoms.large_min[:, None] / signs.interval_min)
    rest = (1 - atoms.large_share[:, None]) * signs.sustained_gpm
    shown = (
        np.maximum(signs.largest_gpm - rest, _LEAST_SINGLE_SHARE * signs.largest_gpm) / filled
    )
    return np.asarray(np.log(np.maximum(shown, 1e-6)) - np.log(atoms.large_gpm[:, None]))


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


def _moved(
    atoms: Atoms,
    chosen: NDArray[np.int64],
    misfit: Array,
    single: Array,
    noise: Array,
    signs: UseSigns,
) -> Patterns:
    """Move each chosen atom toward what the reads show."""
    alone = atoms.is_single[chosen]
    shrunk = np.where(alone, 0.0, misfit)
    small = atoms.small_gpm[chosen] * np.exp(_STRAY_ON_FLOW * shrunk)
    stretch = np.exp((1 - _STRAY_ON_FLOW) * shrunk)
    large_min = atoms.large_min[chosen] * stretch
    length = signs.interval_min[None]
    sure = np.exp(-_UNFILLED_RATE * large_min / length)  # 0 where a use fills the interval
    moved = single * (1 - _UNFILLED_PULL * sure) + np.abs(noise) * (
        _FILLED_SD * np.sqrt(np.minimum(length / 60, 1)) + _UNFILLED_SD * sure
    )
    large = atoms.large_gpm[chosen] * np.exp(np.where(alone, moved, _STRAY_ON_FLOW * misfit))
    small_min, share = atoms.small_min[chosen] * stretch, atoms.large_share[chosen]
    means = [variance_ratio(length, minutes) for minutes in (small_min, large_min)]
    varies = ((1 - share) * small * means[0], share * large * means[1])
    top_share = _share_at_top(
        share, varies[1] / np.maximum(varies[0] + varies[1], 1e-12), signs
    )
    inner = (_inner(small_min, means[0]), _inner(large_min, means[1]))
    return _reduced(small, small_min, large, large_min, share, top_share, alone, length, inner)


def _share_at_top(share: Array, varies_share: Array, signs: UseSigns) -> Array:
    """Share of the large kind in the largest interval [J, A].

    What an interval holds above its hour's mean comes from either kind as it varies.
    """
    usual = np.minimum(signs.busy_gpm / np.maximum(signs.largest_gpm, 1e-9), 1.0)
    return np.asarray(share * usual + varies_share * (1 - usual))


def _reduced(
    small: Array,
    small_min: Array,
    large: Array,
    large_min: Array,
    share: Array,
    top_share: Array,
    alone: NDArray[np.bool_],
    length: Array,
    inner: tuple[Array, Array],
) -> Patterns:
    """Simplify to one kind of use where the intensities inside an interval are unknown."""
    inner_small = small * inner[0]
    inner_large = np.where(alone, large, large * inner[1])
    power = (1 - share) * small + share * large
    duration = ((1 - share) * small * small_min + share * large * large_min) / power
    ratio = inner_large / inner_small
    least, most = _TWO_KINDS_SHARE
    close, apart = _TWO_KINDS_RATIO
    single_kind = ~alone & (
        (share < least) | (share > most) | (ratio < close) | (ratio > apart)
    )
    merged = (1 - share) * inner_small + share * inner_large
    filled = small_min / length
    at_top = (1 - top_share) * inner_small + top_share * inner_large
    return Patterns(
        np.where(single_kind, merged, inner_small),
        np.where(single_kind, 1.0, ratio),
        np.where(single_kind, 0.0, share),
        alone,
        duration,
        np.where(alone, 1.0, np.sqrt(at_top / merged) * _covered(duration / length)),
        small,
        np.maximum(1 - inner_small / small, 0.0),
        0.5 * filled * np.exp(-1 / filled),
    )


def _covered(filled: Array) -> Array:
    """Flow above the mean in the largest intervals over that in all [J, A].

    The largest intervals are those that uses cover whole: where a use may fill an interval
    (`filled` is its duration over the interval), they hold fewer beginnings and ends.
    """
    return np.asarray((1 + np.minimum(filled, 1.0)) ** -_COVERED_POWER)


def _inner(duration_min: Array, of_means: Array) -> Array:
    """Share of instantaneous variance between 10 s and the interval's mean.

    `of_means` is that of interval means.
    """
    rest = variance_ratio(PEAK_MIN, duration_min) - of_means
    return np.maximum(rest, _LEAST_INNER)
