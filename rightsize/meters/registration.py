"""What share of the passing water a meter counts, by flow."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rightsize.meters.catalogue import Meter

Array = NDArray[np.float64]

START_ROUNDING: Final = 1e-9
"""A flow this little below the starting flow, relative, is the starting flow: the same meter
given in m3/h and in gpm starts at the same flow."""


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
    points = np.asarray(meter.registration, dtype=np.float64)
    safe = np.maximum(flow, 1e-12)
    ratio = np.interp(np.log(safe), np.log(points[:, 0]), points[:, 1])
    return np.where(flow < meter.starting_gpm * (1 - START_ROUNDING), 0.0, ratio)


def registration_matrix(meters: Sequence[Meter], flow_gpm: Array) -> Array:
    """`registration_ratio` of each meter at each flow [meter, flow]."""
    return np.stack([registration_ratio(flow_gpm, meter) for meter in meters])
