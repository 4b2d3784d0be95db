"""The different volumes of each meter's reads, from which the register's step is learned."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from rightsize.demand.month_grid import Floats, Ints

LEAST_GAL: Final = 1e-6
"""Below it a volume is rounding of zero [gal]; as in `register_volume`."""


def distinct_volumes(gal: Floats) -> tuple[Ints, Floats, Ints]:
    """Row, volume to a millionth [gal] and number of reads of each volume above zero.

    Parameters
    ----------
    gal : array (meters, reads)
        Volumes; zero or negative where there is none.
    """
    micro = np.floor(gal * 1e6 + 0.5)
    micro[gal < LEAST_GAL] = 0.0
    micro.sort(axis=1)
    is_new: NDArray[np.bool_] = np.empty(micro.shape, bool)
    is_new[:, 0] = True
    np.not_equal(micro[:, 1:], micro[:, :-1], out=is_new[:, 1:])
    at = np.flatnonzero(is_new)
    values = micro.ravel()[at]
    count = np.diff(np.append(at, micro.size))
    wanted = values > 0
    row = at[wanted] // micro.shape[1]
    return row, values[wanted] / 1e6, count[wanted]
