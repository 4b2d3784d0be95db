"""The Poisson rectangular pulse process: what averaging leaves of its variance.

Uses arrive as a Poisson process; each is a rectangle of intensity a (coefficient of
variation c) and exponential duration tau. `rho` concurrent uses on average give the mean flow
`rho a` and the instantaneous variance `rho a^2 (1 + c^2) = mean * a (1 + c^2)`.

References
----------
Buchberger, S. G. and Wu, L. (1995), J. Hydraul. Eng. 121(3), 232-246 (model; formulas from
memory, high trust; checked against simulation in `tests/unit/inference`).
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.floating[Any]]

_SERIES_BELOW: Final = 1e-3  # [1] there the first term of the series is exact to 1e-7


def variance_ratio(interval_min: Array | float, duration_min: Array | float) -> Array:
    """Variance of interval averages over instantaneous variance.

    Parameters
    ----------
    interval_min, duration_min : array or float
        Interval length and mean duration of a use [min]; broadcast together.

    Returns
    -------
    array
        `2 (tau/T)^2 (T/tau - 1 + exp(-T/tau))` [1], between 0 and 1.
    """
    x = np.asarray(interval_min) / np.asarray(duration_min)
    small = x < _SERIES_BELOW
    safe = np.where(small, 1.0, x)
    exact = 2 * (safe - 1 + np.exp(-safe)) / safe**2
    return np.asarray(np.where(small, 1 - x / 3, exact))


def covariance_ratio(
    interval_min: Array | float, duration_min: Array | float, *, lag: int = 1
) -> Array:
    """Covariance of averages `lag` intervals apart (>= 1) over instantaneous variance."""
    x = np.asarray(interval_min) / np.asarray(duration_min)
    kept = np.where(x < 1e-6, 1.0, -np.expm1(-np.maximum(x, 1e-12)) / np.maximum(x, 1e-12))
    return np.asarray(kept**2 * np.exp(-(lag - 1) * x))
