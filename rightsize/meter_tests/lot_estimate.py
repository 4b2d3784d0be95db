"""What a random sample says of the rest of its lot: share out of limits, mean registration.

References
----------
Exact interval of a proportion: Clopper and Pearson, Biometrika 26(4), 1934. The same for a
finite lot inverts the hypergeometric distribution. Mean of a simple random sample with the
finite population correction 1 - n/N: Cochran, *Sampling Techniques*, 3rd ed., ch. 2. All from
memory, high trust.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Final

import numpy as np
from scipy import stats

COVERED_SHARE: Final = 0.9
"""Ranges are 90 % intervals, as everywhere in the results."""


def bad_share_interval(
    bad_count: int, sample_count: int, *, lot_count: int, covered: float = COVERED_SHARE
) -> tuple[float, float]:
    """Exact interval of a lot's share out of limits; its ends are whole meters of the lot.

    Raises
    ------
    ValueError
        If more meters are out of limits than were tested, or more tested than the lot has.
    """
    if not 0 <= bad_count <= sample_count <= lot_count or sample_count == 0:
        raise ValueError(
            f"{bad_count} of {sample_count} out of limits in a lot of {lot_count}: "
            "counts must rise, and at least one meter be tested"
        )
    tail = (1 - covered) / 2
    least, most = bad_count, lot_count - (sample_count - bad_count)

    def as_many(held: int) -> bool:
        return bool(stats.hypergeom.sf(bad_count - 1, lot_count, held, sample_count) > tail)

    def as_few(held: int) -> bool:
        return bool(stats.hypergeom.cdf(bad_count, lot_count, held, sample_count) > tail)

    low = _first(as_many, least, most)
    high = _last(as_few, least, most)
    return low / lot_count, high / lot_count


def _first(holds: Callable[[int], bool], low: int, high: int) -> int:
    """The smallest number for which a rising condition holds; it holds for `high`."""
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if holds(middle) else (middle + 1, high)
    return low


def _last(holds: Callable[[int], bool], low: int, high: int) -> int:
    """The largest number for which a falling condition holds; it holds for `low`."""
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if holds(middle) else (low, middle - 1)
    return low


def process_share_interval(
    bad_count: int, sample_count: int, *, covered: float = COVERED_SHARE
) -> tuple[float, float]:
    """Exact interval of the share out of limits of a supply without end."""
    tail = (1 - covered) / 2
    low = stats.beta.ppf(tail, bad_count, sample_count - bad_count + 1) if bad_count else 0.0
    high = (
        stats.beta.ppf(1 - tail, bad_count + 1, sample_count - bad_count)
        if bad_count < sample_count
        else 1.0
    )
    return float(low), float(high)


def mean_interval(
    values: Sequence[float], *, lot_count: int, covered: float = COVERED_SHARE
) -> tuple[float, float, float]:
    """Mean of a lot from a sample of it, and both ends of its interval.

    A single value has no interval: its ends are NaN. A lot that was tested whole has none
    either: both ends are its mean.

    Raises
    ------
    ValueError
        If no value is given, or more than the lot has.
    """
    count = len(values)
    if not 0 < count <= lot_count:
        raise ValueError(f"{count} values of a lot of {lot_count}")
    mean = float(np.mean(values))
    if count == lot_count:
        return mean, mean, mean
    if count == 1:
        return mean, math.nan, math.nan
    left = 1 - count / lot_count
    error = float(np.std(values, ddof=1)) * math.sqrt(left / count)
    reach = float(stats.t.ppf((1 + covered) / 2, count - 1)) * error
    return mean, mean - reach, mean + reach
