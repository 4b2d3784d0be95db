"""From the mean of an interval to the flows inside it: scale-free kernels on log bands.

Given an interval's mean draw flow m, the draws that run together are Poisson with mean m/a, so
the flow is a compound Poisson sum of intensities. Measured in units of the intensity a the
law depends on m/a alone: one matrix serves every account and every intensity, shifted along
the log bands.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.stats import gamma

from rightsize.demand.bands import BANDS_PER_DECADE

Array = NDArray[np.float64]

LOWEST: Final = -80  # bands from the intensity: 10**-4 of it
HIGHEST: Final = 70  # 10**3.5 times the intensity
SIZE: Final = HIGHEST - LOWEST + 1
CENTRES: Final[Array] = 10.0 ** (np.arange(LOWEST, HIGHEST + 1) / BANDS_PER_DECADE)
EDGES: Final[Array] = 10.0 ** ((np.arange(LOWEST, HIGHEST + 2) - 0.5) / BANDS_PER_DECADE)
_STEADY_ABOVE: Final = 600.0  # so many draws together are as good as steady
_POINTS: Final = 1 << 12


@dataclass(frozen=True)
class Kernel:
    """Law of the draw flow by band of the interval's mean draw flow, in units of intensity.

    `mass[i, k]` is the share of time in band k and `idle[i]` the share without any draw, in
    intervals of mean band i. Rows sum to 1 with `idle` and their mean is the row's flow.
    """

    mass: Array  # [SIZE, SIZE]
    idle: Array  # [SIZE]


@lru_cache(maxsize=64)
def pulse_kernel(cv: float, ratio: float = 1.0, share: float = 0.0) -> Kernel:
    """Kernel of draws with gamma intensities, in one kind or two.

    Parameters
    ----------
    cv : float
        Coefficient of variation of the intensity within a kind [1].
    ratio : float
        Mean intensity of the larger kind over that of the smaller (the unit) [1].
    share : float
        Share of the mean flow that the larger kind carries [1].

    Returns
    -------
    Kernel
        By fast Fourier transform of the compound Poisson law on a linear grid of each row's
        own step, then summed into log bands.
    """
    mass, idle = np.zeros((SIZE, SIZE)), np.zeros(SIZE)
    for i, mean in enumerate(CENTRES):
        if mean > _STEADY_ABOVE * max(ratio, 1.0):
            mass[i, i] = 1.0
            continue
        mass[i], idle[i] = _row(mean, cv, ratio, share)
    return Kernel(mass, idle)


def _row(mean: float, cv: float, ratio: float, share: float) -> tuple[Array, float]:
    rates = np.array([mean * (1 - share), mean * share / ratio])
    spread = np.sqrt((rates * np.array([1.0, ratio**2]) * (1 + cv**2)).sum())
    top = mean + 12 * spread + 8 * (ratio if share > 0 else 1.0)
    step = top / _POINTS
    edges = (np.arange(_POINTS + 1) - 0.5) * step
    shape = 1 / cv**2
    jump = rates[0] * _fourier(edges, shape, cv**2)
    if share > 0:
        jump = jump + rates[1] * _fourier(edges, shape, ratio * cv**2)
    law = np.fft.irfft(np.exp(jump - rates.sum()), n=2 * _POINTS)[:_POINTS]
    law = np.maximum(law, 0.0)
    idle = float(law[0])
    return _into_bands(law, step, mean, idle)


def _fourier(edges: Array, shape: float, scale: float) -> NDArray[np.complex128]:
    law = np.diff(gamma.cdf(edges, shape, scale=scale))
    return np.asarray(np.fft.rfft(law, n=2 * len(law)))


def _into_bands(law: Array, step: float, mean: float, idle: float) -> tuple[Array, float]:
    """Sum a law on a linear grid into bands, then restore its mean exactly."""
    cumulative = np.concatenate([[0.0], np.cumsum(law[1:])])
    at = (np.arange(len(law)) + 0.5) * step
    mass = np.diff(np.interp(EDGES, at, cumulative, left=0.0))
    mass[0] += np.interp(EDGES[0], at, cumulative, left=0.0)
    mass *= mean / (mass @ CENTRES)
    return mass, max(1.0 - float(mass.sum()), 0.0) if idle > 1e-12 else 0.0
