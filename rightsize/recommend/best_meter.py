"""The second step of the choice: which of the meters that fit.

The first step asks whether to change at all, by the odds against keeping. Once it says yes, the
meters are held against each other by what they are worth: expected net benefit as far as the
meter fits, less the expected cost of being wrong. Of those that come close to the best, the
cheapest is taken that fits as surely.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from rightsize.recommend.rules.meter_rules import BIT
from rightsize.recommend.rules.worth_a_visit import Visit
from rightsize.recommend.weigh import Weighed

Array = NDArray[np.float64]
Floats = NDArray[np.floating[Any]]
Index = NDArray[np.int64]
Flags = NDArray[np.bool_]


def best_meter(
    allowed: Flags, weighed: Weighed, cost_usd: Array, *, tie_band_share: float
) -> Index:
    """The meter to install of each account [A]; any of the row where none is allowed.

    Parameters
    ----------
    allowed : bool [A, M]
        Meters that may be chosen.
    cost_usd : array [A, M]
        Cost of the change to each.
    tie_band_share : float
        Share of the best worth within which the cheapest is taken, of those whose odds of fit
        are no lower than the best meter's.
    """
    return best_by(
        allowed,
        weighed.worth_usd,
        weighed.odds_of_fit,
        cost_usd,
        tie_band_share=tie_band_share,
    )


def best_by(
    allowed: Flags,
    worth_usd: Floats,
    odds_of_fit: Floats,
    cost_usd: Floats,
    *,
    tie_band_share: float,
) -> Index:
    """The same from worth and odds of fit [A, M]."""
    worth = np.where(allowed, worth_usd, -np.inf)
    best = worth.argmax(axis=1)[:, None]
    top = np.take_along_axis(worth, best, axis=1)
    surely = odds_of_fit >= np.take_along_axis(odds_of_fit, best, axis=1)
    with np.errstate(invalid="ignore"):
        near = worth >= top - tie_band_share * np.abs(top)
    cheap = np.where(allowed & near & surely, cost_usd, np.inf)
    # of equal cost the one worth more
    cheapest = cheap == cheap.min(axis=1, keepdims=True)
    return np.asarray(np.where(cheapest, worth, -np.inf).argmax(axis=1), dtype=np.int64)


def best_of(allowed: Flags, weighed: Weighed) -> Index:
    """The allowed meter that is worth most; -1 if none is allowed."""
    best = np.where(allowed, weighed.worth_usd, -np.inf).argmax(axis=1)
    return np.where(allowed.any(axis=1), best, -1)


def runner_up(weighed: Weighed, other: Flags, chosen: Index) -> Index:
    """Best feasible meter beside the chosen and the installed one; -1 if there is none."""
    rest = other.copy()
    rest[np.arange(len(chosen)), chosen] = False
    return best_of(rest, weighed)


def losers(
    weighed: Weighed, visits: Visit, allowed: Flags, *, chosen: Index
) -> NDArray[np.int32]:
    """Rules broken, with the one reason why a feasible meter is not the choice."""
    lost = weighed.feasible.copy()
    lost[np.arange(len(chosen)), chosen] = False
    bits = np.select(
        [
            allowed | ~(weighed.net_benefit_usd > 0),
            visits.is_too_little,
            visits.is_too_close,
            visits.is_too_slow,
        ],
        [
            BIT["less_benefit"],
            BIT["benefit_too_small"],
            BIT["gain_too_small"],
            BIT["payback_too_long"],
        ],
        default=BIT["odds_of_benefit"],
    )
    return np.asarray(weighed.broken | np.where(lost, bits, 0), dtype=np.int32)


def ranks(weighed: Weighed, allowed: Flags, index: Index, chosen: Index) -> Index:
    """Place among the feasible meters, from 1; 0 where not feasible.

    The chosen meter comes first, then the installed one and those that may be chosen, then the
    others, each group by what it is worth.
    """
    rows = np.arange(len(index))
    first = allowed.copy()
    first[rows, index] = True
    group = np.where(first, 1, 2)
    group[rows, chosen] = 0
    group = np.where(weighed.feasible, group, 3)
    order = np.lexsort((-weighed.worth_usd, group), axis=-1)
    rank = np.empty(order.shape, dtype=np.int64)
    np.put_along_axis(rank, order, np.arange(1, order.shape[1] + 1)[None, :], axis=-1)
    return np.where(weighed.feasible, rank, 0)
