"""What change-outs teach about how long steady flow goes on once a new meter shows it.

Notes
-----
The set share after each number of months is a prior: a Beta distribution with that mean and
the standard deviation of a uniform range of the set half-width. The cases are worth as many as
their flows say (Kish's effective number). So the learned share lies between the set one and
that seen, nearer to what is seen the more there is of it, and its range narrows. The defaults
weigh as much as some ten cases. A half-width of 0 says that the share is known: nothing is
learned.

What is seen is relative to the first whole month after the change; a leak repaired before that
month ended is not in it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, Final

import numpy as np
import polars as pl

from rightsize.verify.leaks.persistence import LEAST_POOLED, ObservedShare, observed_share

SET_AFTER_MONTHS: Final = (3, 12, 36)  # [months] of `leak_runs_after_*_months_share`
_SPREAD: Final = "leak_runs_spread_share"


@dataclass(frozen=True)
class LearnedShare:
    """Share of new steady flow that still runs after some months."""

    months_after: int
    case_count: int
    observed_share: float | None  # None: too few cases
    set_share: float
    share: float  # used
    half_width: float  # of its range


@dataclass(frozen=True)
class LeakRepair:
    """The shares that a sweep uses, and what they rest on."""

    least_count: int
    set_spread_share: float
    shares: tuple[LearnedShare, ...]

    @property
    def is_applied(self) -> bool:
        """Whether any share was learned."""
        return any(s.observed_share is not None for s in self.shares)

    @property
    def spread_share(self) -> float:
        """The one half-width that all shares have: the widest of theirs."""
        return max(s.half_width for s in self.shares)

    @property
    def thresholds(self) -> dict[str, float]:
        """Settings that the learned shares stand for."""
        used = {_name(s.months_after): s.share for s in self.shares}
        return {**used, _SPREAD: self.spread_share} if self.is_applied else {}

    @property
    def document(self) -> dict[str, Any]:
        """As it is kept with the sweep's settings."""
        used = {"is_applied": self.is_applied, "spread_share": self.spread_share}
        return {**used, **asdict(self)}


def _name(months: int) -> str:
    return f"leak_runs_after_{months}_months_share"


def learned_leak_repair(rows: pl.DataFrame, told: Mapping[str, Any]) -> LeakRepair:
    """Shares that still run, from the set ones and from what change-outs showed.

    Parameters
    ----------
    rows : frame
        Rows of realised_gain.
    told : mapping
        `leak_runs_after_3_months_share`, `_12_`, `_36_` and `leak_runs_spread_share` as set.
    """
    spread, shares, least = float(told[_SPREAD]), [], 1.0
    for months in SET_AFTER_MONTHS:
        seen = observed_share(rows, months)
        mean = float(told[_name(months)])
        share, half = _joined(mean, spread, seen)
        least = min(least, share)  # what is repaired stays so
        shares.append(LearnedShare(months, seen.case_count, seen.share, mean, least, half))
    return LeakRepair(LEAST_POOLED, spread, tuple(shares))


def _joined(mean: float, half_width: float, seen: ObservedShare) -> tuple[float, float]:
    """Share and half-width of its range, of a Beta prior and what is seen."""
    prior = _prior_count(mean, half_width)
    if seen.share is None or prior is None:
        return mean, half_width
    count = prior + seen.effective_count
    share = (prior * mean + seen.effective_count * seen.share) / count
    deviation = np.sqrt(share * (1 - share) / (count + 1))
    return float(share), float(min(np.sqrt(3) * deviation, half_width))


def _prior_count(mean: float, half_width: float) -> float | None:
    """Cases that the set share weighs as much as; None where nothing can be learned."""
    variance = half_width**2 / 3  # of a uniform range
    if variance == 0 or not 0 < mean < 1:
        return None
    return max(mean * (1 - mean) / variance - 1, 1.0)  # one case at least: ours
