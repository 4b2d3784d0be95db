"""Whether a meter brings enough for a crew's visit: benefit, accuracy gain and payback.

Notes
-----
An undersized meter is not asked: it is changed because it is overrun, not for money.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rightsize.recommend.economics import simple_payback_years
from rightsize.settings import Thresholds

Array = NDArray[np.float64]
Floats = NDArray[np.floating[Any]]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class Visit:
    """What fails, meter by meter [A, M]; a meter may fail several."""

    is_too_little: Flags  # net benefit
    is_too_close: Flags  # accuracy gain
    is_too_slow: Flags  # payback

    @property
    def is_worth_it(self) -> Flags:
        """True where nothing fails [A, M]."""
        return np.asarray(~(self.is_too_little | self.is_too_close | self.is_too_slow))


def least_benefit_usd(cost_usd: Array, level_usd: Array, limits: Thresholds) -> Array:
    """Net benefit a year from which a change is worth its visit [A, M].

    Parameters
    ----------
    cost_usd, level_usd : arrays [A, M]
        Cost of the change, and the level yearly amount of it that net benefit leaves out: a
        payback of n years is a net benefit of cost / n less that amount.
    """
    for_payback = cost_usd / limits.max_payback_years - level_usd
    return np.maximum(for_payback, limits.min_net_benefit_usd_per_year)


def odds_asked(cost_usd: Array, may_log: Flags, limits: Thresholds) -> Array:
    """Odds of a positive net benefit that a change must reach [A, M]: a costly one, higher.

    Parameters
    ----------
    cost_usd : array [A, M]
        Cost of the change.
    may_log : bool [A]
        A log may come first. Where none will, the expected benefit has to decide, and
        `odds_without_log` are asked if they are lower.
    """
    sure = max(limits.odds_of_benefit, limits.odds_of_costly_benefit)
    first = np.where(cost_usd >= limits.costly_change_usd, sure, limits.odds_of_benefit)
    return np.where(may_log[:, None], first, np.minimum(first, limits.odds_without_log))


def visit(
    *,
    net_benefit_usd: Floats,
    gain_points: Floats,
    cost_usd: Array,
    cash_usd_per_year: Array,
    limits: Thresholds,
) -> Visit:
    """Hold each meter against the least that a visit must bring.

    Parameters
    ----------
    net_benefit_usd : array [A, M]
        Expected net benefit a year.
    gain_points : array [A, M]
        Expected gain in weighted accuracy, percentage points.
    cost_usd, cash_usd_per_year : arrays [A, M]
        Cost of the change and the cash that pays it back each year.
    limits : Thresholds
        `min_net_benefit_usd_per_year`, `min_gain_points`, `max_payback_years`.
    """
    payback = simple_payback_years(cost_usd, cash_usd_per_year)
    return Visit(
        is_too_little=np.asarray(
            (net_benefit_usd <= 0) | (net_benefit_usd < limits.min_net_benefit_usd_per_year)
        ),
        is_too_close=np.asarray(gain_points < limits.min_gain_points),
        is_too_slow=np.asarray(~(payback <= limits.max_payback_years)),
    )
