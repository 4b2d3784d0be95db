"""Error of a meter, weighted error over many flows, and volume lost.

References
----------
OIML R 49-1: error 100 (indicated - actual) / actual (from memory, high trust). Maryland COMAR
20.70.06.04: error 100 (meter - standard) / meter (read). *Water Loss Control*, 2nd ed. 2008,
Table 12.8, from AWWA M36: volume lost V (1/R - 1) by flow class (read). Weighted error
`sum w_i e_i` with shares of actual volume: Arregui et al. (formula from memory, high trust),
used in AQUA 70(2):217, 2021 (read).
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Denominator = Literal["actual", "indicated"]


def unregistered_gal(registered_gal: Array, ratio: Array) -> Array:
    """Unregistered volume, `R (1/a - 1)` [gal].

    Over-registration gives a negative volume, which subtracts in a sum.
    """
    registered = np.asarray(registered_gal, dtype=np.float64)
    result: Array = registered * (1 / np.asarray(ratio, dtype=np.float64) - 1)
    return result


def error_pct(
    indicated_gal: float, actual_gal: float, *, denominator: Denominator = "actual"
) -> float:
    """Error of a meter [%].

    Parameters
    ----------
    indicated_gal, actual_gal : float
        What the meter counted, and what the reference says passed [gal].
    denominator : {"actual", "indicated"}
        `actual` is R 49's and the tool's own convention; `indicated` is that of some state
        rules and reads larger when the meter is slow: 95 against 100 is -5.000 % or -5.263 %.
    """
    base = actual_gal if denominator == "actual" else indicated_gal
    return 100 * (indicated_gal - actual_gal) / base


def weighted_error_pct(volume_share: Array, error_pct: Array) -> float:
    """Weighted error from shares of actual volume and the error at each flow [%].

    Volume below the starting flow enters with -100 %.

    Raises
    ------
    ValueError
        If the shares do not add up to 1.
    """
    share = np.asarray(volume_share, dtype=np.float64)
    if not np.isclose(share.sum(), 1.0, atol=1e-6):
        raise ValueError(f"volume shares must add up to 1; got {share.sum():g}")
    return float(share @ np.asarray(error_pct, dtype=np.float64))
