"""Learning that transfers: a log teaches its class, the first few the most.

The model, simple and stated: n logs of a class remove the share n / (n + k) of what its prior
leaves open between classes of use (the shrinkage of a mean of n sites whose own spread is k
times the class's). Knowing the class altogether would be worth a share of what the same log is
worth at each of its other sites: the part of the sites' spread that they have in common.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def variance_removed_share(log_count: NDArray[Any], half_count: float) -> Array:
    """Share of a class prior's variance that logs remove: n / (n + k)."""
    return np.asarray(log_count / (log_count + half_count), dtype=np.float64)


def next_log_usd(
    class_gain_usd: float, *, held_count: int, most: int, half_count: float, common_share: float
) -> Array:
    """What each further log of a class is worth to its other sites [most].

    Parameters
    ----------
    class_gain_usd : float
        Sum of the expected gain of a log over the sites of the class.
    held_count : int
        Logs of the class that are already held.
    most : int
        Further logs to price.
    half_count : float
        Logs after which half of the class's variance is removed.
    common_share : float
        Part of the sites' spread that is common to the class.
    """
    counts = np.arange(held_count, held_count + most + 1, dtype=np.float64)
    removed = variance_removed_share(counts, half_count)
    return np.asarray(np.diff(removed) * common_share * class_gain_usd)
