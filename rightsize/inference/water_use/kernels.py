"""From the mean of an interval to the flows inside it: scale-free kernels on log bands.

Given the mean flow m of an interval's uses, those that run together are Poisson with mean m/a,
so the flow is a compound Poisson sum of intensities. In units of the intensity a the
distribution depends on m/a alone: one matrix works for every account and every intensity,
shifted along the log bands. A second, larger kind of use either runs together with others in
the same way, or one at a time (a make-up valve, an irrigation controller): then it is on or
off.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rightsize.demand.bands import BANDS_PER_DECADE

Array = NDArray[np.float64]

INTENSITY_CV: Final = 0.45
"""Spread of the flow of the uses of one kind [1]. Over all uses it is 0.59 in the recorded home
and 0.82 in the recorded flat (even days, 10 s, while water flows). With 0.6 and 0.75 within one
kind the true peak of 80 and 57 % of recorded buildings is inside its 90 % range; here 91 %."""
# Set by hand and fitted on simulated fleets; which fleets is not recorded. Where a line names
# another origin, that holds.
LOWEST: Final = -60  # [bands] from the intensity: 10**-3 of it
HIGHEST: Final = 70  # 10**3.5 times the intensity
SIZE: Final = HIGHEST - LOWEST + 1
CENTRES: Final[Array] = 10.0 ** (np.arange(LOWEST, HIGHEST + 1) / BANDS_PER_DECADE)
EDGES: Final[Array] = 10.0 ** ((np.arange(LOWEST, HIGHEST + 2) - 0.5) / BANDS_PER_DECADE)
_STEADY_ABOVE: Final = 600.0  # [1] so many uses together are as good as steady
_RARE_BELOW: Final = 16  # [bands] below 0.006 of the intensity uses are rare: the law scales
_POINTS: Final = 1 << 12  # [1] of the linear grid: convention
_SINGLE_STRETCH: Final = 0.3  # [1] a fuller interval holds a larger use if little else
_SINGLE_CV: Final = 0.015  # [1] a use that runs alone differs little from time to time
_STRETCH_POWER: Final = 4  # [1] so much less where more than that is drawn
_REACH_SDS: Final = 12  # [sd] the grid ends so far above the mean: convention
_REACH_USES: Final = 8.0  # [1] and so many uses more: convention
_REACH_SINGLE: Final = 2.0  # [1] of uses run one at a time: convention


@dataclass(frozen=True)
class KernelKind:
    """Key of a kernel: spread within a kind, and the larger kind if there is one.

    `ratio` is the larger kind's intensity over the smaller's (the unit), `share` its part of
    the mean flow, `is_single` whether at most one of them runs.
    """

    cv: float
    ratio: float = 1.0
    share: float = 0.0
    is_single: bool = False


@dataclass(frozen=True)
class Kernel:
    """Distribution of the flow of uses by band of interval mean, in units of intensity.

    `mass[i, k]` is the share of time in band k and `idle[i]` the share without any use, in
    intervals of mean band i. Rows sum to 1 with `idle` and their mean is the row's flow.
    """

    mass: NDArray[np.floating[Any]]  # [SIZE, SIZE]; those that are shipped in single precision
    idle: Array  # [SIZE]

    @cached_property
    def single_mass(self) -> NDArray[np.float32]:
        """`mass` in single precision."""
        return self.mass.astype(np.float32)


@lru_cache(maxsize=128)
def pulse_kernel(kind: KernelKind) -> Kernel:
    """Kernel of uses with gamma intensities, in one kind or two.

    Parameters
    ----------
    kind : KernelKind
        Spread, and the larger kind of use.

    Returns
    -------
    Kernel
        By inversion of the characteristic function on a linear grid of each row's own step,
        then summed into log bands; every row's mean is restored exactly.
    """
    mass, idle = np.zeros((SIZE, SIZE)), np.zeros(SIZE)
    for i, mean in enumerate(CENTRES):
        if i < _RARE_BELOW:
            continue
        if mean > _STEADY_ABOVE * kind.ratio:
            mass[i, i] = 1.0
        else:
            mass[i], idle[i] = _row(mean, kind)
    rare = CENTRES[:_RARE_BELOW] / CENTRES[_RARE_BELOW]
    mass[:_RARE_BELOW] = rare[:, None] * mass[_RARE_BELOW]
    idle[:_RARE_BELOW] = 1 - mass[:_RARE_BELOW].sum(axis=1)
    return Kernel(mass, idle)


def running_share(mean: Array | float, kind: KernelKind) -> Array:
    """Share of time that a use which runs alone is on, in intervals of each mean.

    Its part of the flow is `share` in quiet intervals and grows to all of it where the mean
    comes up to its intensity: such an interval is filled by it.
    """
    level = np.minimum(np.asarray(mean) / kind.ratio, 1.0)
    return np.asarray(level * (kind.share + (1 - kind.share) * level))


def _row(mean: float, kind: KernelKind) -> tuple[Array, float]:
    on = float(running_share(mean, kind)) if kind.is_single else 0.0
    large = mean * kind.share / kind.ratio if not kind.is_single else 0.0
    stretch = 1 + _SINGLE_STRETCH * kind.share**_STRETCH_POWER
    alone = kind.ratio * min(max(mean / kind.ratio, 1.0), stretch)
    small = max(mean - on * alone - large * kind.ratio, 0.0)
    spread = np.sqrt((small + large * kind.ratio**2) * (1 + kind.cv**2))
    reach = kind.ratio if kind.share > 0 else 1.0
    uses = _REACH_SINGLE if kind.is_single else _REACH_USES
    top = mean + _REACH_SDS * spread + uses * reach + _REACH_USES
    step = top / _POINTS
    omega = np.pi * np.arange(_POINTS + 1) / (_POINTS * step)
    jump = small * (_gamma_cf(omega, 1.0, kind.cv) - 1)
    if large > 0:
        jump = jump + large * (_gamma_cf(omega, kind.ratio, kind.cv) - 1)
    both = np.exp(jump)
    if on > 0:
        both = both * (1 - on + on * _gamma_cf(omega, alone, _SINGLE_CV))
    idle = float(np.exp(-small - large) * (1 - on))
    law = np.maximum(np.fft.irfft(np.conj(both - idle), n=2 * _POINTS)[:_POINTS], 0.0)
    return _into_bands(law, step, mean, idle)


def _gamma_cf(omega: Array, mean: float, cv: float) -> NDArray[np.complex128]:
    return np.asarray((1 - 1j * omega * mean * cv**2) ** (-1 / cv**2))


def _into_bands(law: Array, step: float, mean: float, idle: float) -> tuple[Array, float]:
    """Sum a distribution on a linear grid into bands, then restore its mean exactly."""
    cumulative = np.concatenate([[0.0], np.cumsum(law)])
    cumulative *= (1 - idle) / max(cumulative[-1], 1e-300)
    at = np.concatenate([[0.0], (np.arange(len(law)) + 0.5) * step])
    mass = np.diff(np.interp(EDGES, at, cumulative))
    mass[0] += np.interp(EDGES[0], at, cumulative)
    mass *= mean / (mass @ CENTRES)
    return mass, max(1.0 - float(mass.sum()), 0.0) if idle > 1e-12 else 0.0
