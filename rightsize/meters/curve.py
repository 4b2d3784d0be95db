"""Registered over actual volume by flow: the only reader of accuracy curves."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rightsize.meters.catalogue import Meter, Points

Array = NDArray[np.float64]

_LEAST_FLOW_GPM: Final = 1e-12  # no flow has no logarithm
START_ROUNDING: Final = 1e-9
"""A flow this little below the starting flow, relative, is the starting flow: the same meter
given in m3/h and in gpm starts at the same flow."""


def ratio_between(flow_gpm: Array, points: Points) -> Array:
    """Ratio between the points of a curve, without the cutoff at the starting flow.

    Parameters
    ----------
    flow_gpm : array, any shape
        Actual flow [gpm].
    points : points (flow [gpm], ratio [1])
        See `Meter.registration` for their meaning.

    Returns
    -------
    array, the shape of `flow_gpm`
        Ratio [1], linear in log flow; flat outside the points.
    """
    flow = np.asarray(flow_gpm, dtype=np.float64)
    return ratio_between_log(np.log(np.maximum(flow, _LEAST_FLOW_GPM)), points)


def ratio_between_log(ln_gpm: Array, points: Points) -> Array:
    """As `ratio_between`, for flows given by their natural logarithm."""
    grid = np.asarray(points, dtype=np.float64)
    ratio: Array = np.interp(ln_gpm, np.log(grid[:, 0]), grid[:, 1])
    return ratio


def moved_along_flow(ratio: Array, ln_gpm: Array, ln_factor: Array) -> Array:
    """Curves moved along the flow, each by its own factor.

    Parameters
    ----------
    ratio : array [J, K, Q]
        Registration [1] at the flows `ln_gpm`.
    ln_gpm : array [Q]
        Log of flow [gpm], rising.
    ln_factor : array [J, K]
        Log of the factor by which the flow of each point grows.

    Returns
    -------
    array [J, K, Q]
        Registration [1] of the moved curves at the same flows.
    """
    out = np.empty_like(ratio)
    for place in np.ndindex(ln_factor.shape):
        out[place] = np.interp(ln_gpm - ln_factor[place], ln_gpm, ratio[place])
    return out


def registration_ratio(flow_gpm: Array, meter: Meter) -> Array:
    """Registered over actual volume of `meter` at each flow.

    Parameters
    ----------
    flow_gpm : array, any shape
        Actual flow [gpm].
    meter : Meter
        The meter; see `Meter.registration` for the meaning of its points.

    Returns
    -------
    array, the shape of `flow_gpm`
        Ratio [1]; 0 below the starting flow, flat above the last point.
    """
    flow = np.asarray(flow_gpm, dtype=np.float64)
    ratio = ratio_between(flow, meter.registration)
    return np.where(flow < meter.starting_gpm * (1 - START_ROUNDING), 0.0, ratio)


def registration_matrix(meters: Sequence[Meter], flow_gpm: Array) -> Array:
    """`registration_ratio` of each meter at each flow [meter, flow]."""
    return np.stack([registration_ratio(flow_gpm, meter) for meter in meters])
