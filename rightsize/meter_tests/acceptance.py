"""Acceptance sampling by attributes: single plans for normal inspection, and what they accept.

The plan says how many meters of a lot to test and how many of them may be out of limits. What
it protects against is computed exactly for the lot's own size, not read from a chart.

References
----------
ANSI/ASQ Z1.4 (ISO 2859-1, formerly MIL-STD-105E), Table I (sample size code letters) and Table
II-A (single sampling, normal inspection). Read in two published copies of the tables (a quality
assurance guide of the National Institute of Building Sciences after MIL-STD-105E, level II;
a one-page chart of the standards named, levels I to III), which agree.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy import stats

Array = NDArray[np.float64]

LETTERS: Final = "ABCDEFGHJKLMNPQR"
SAMPLE_SIZES: Final = (2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250, 2000)
"""Sample size of each code letter (Table II-A)."""
LOT_SIZES: Final = (
    8, 15, 25, 50, 90, 150, 280, 500, 1200, 3200, 10_000, 35_000, 150_000, 500_000,
)  # fmt: skip
"""Largest lot of each line of Table I; above the last there is one more line."""
LETTERS_OF_LEVEL: Final = {
    "I": "AABCCDEFGHJKLMN",
    "II": "ABCDEFGHJKLMNPQ",
    "III": "BCDEFGHJKLMNPQR",
}
"""Code letter of each line of Table I, by general inspection level."""
AQL_PCT: Final = (0.010, 0.015, 0.025, 0.040, 0.065, 0.10, 0.15, 0.25, 0.40, 0.65, 1.0, 1.5,
                  2.5, 4.0, 6.5)  # fmt: skip
"""Preferred acceptance quality limits, percent nonconforming; above 6.5 no lot of meters is."""
_ACCEPT_ON_DIAGONAL: Final = {14: 0, 17: 1, 18: 2, 19: 3, 20: 5, 21: 7, 22: 10, 23: 14, 24: 21}
"""Acceptance numbers lie on diagonals of Table II-A: place of letter plus place of AQL."""
_UP: Final = 15  # diagonal of arrows to the plan above
_LAST: Final = 24  # below it all arrows point up


@dataclass(frozen=True)
class Plan:
    """A single sampling plan: a lot with at most `accept` meters out of limits is accepted."""

    letter: str
    sample_count: int
    accept: int

    @property
    def reject(self) -> int:
        """Meters out of limits from which the lot is rejected."""
        return self.accept + 1


def code_letter(lot_count: int, level: str = "II") -> str:
    """Sample size code letter of a lot (Table I).

    Raises
    ------
    ValueError
        If the level is not a general one, or the lot has fewer than two meters.
    """
    if level not in LETTERS_OF_LEVEL:
        raise ValueError(f"unknown inspection level {level!r}; allowed: I, II, III")
    if lot_count < 2:
        raise ValueError(f"a lot has at least 2 meters; got {lot_count}")
    line = int(np.searchsorted(LOT_SIZES, lot_count))
    return LETTERS_OF_LEVEL[level][line]


@lru_cache(maxsize=4096)
def plan_of(lot_count: int, aql_pct: float, level: str = "II") -> Plan:
    """The plan for a lot; the whole lot where the sample would be as large.

    Raises
    ------
    ValueError
        If the AQL is not a preferred one, or the lot has fewer than two meters.
    """
    if aql_pct not in AQL_PCT:
        allowed = ", ".join(f"{a:g}" for a in AQL_PCT)
        raise ValueError(f"aql_pct must be one of {allowed}; got {aql_pct:g}")
    letter = code_letter(lot_count, level)
    plan = _tabled(letter, AQL_PCT.index(aql_pct))
    if plan.sample_count >= lot_count:
        return Plan(plan.letter, lot_count, plan.accept)
    return plan


def _tabled(letter: str, column: int) -> Plan:
    """Table II-A with its arrows followed."""
    row = LETTERS.index(letter)
    place = row + column
    if place == _UP:
        row -= 1
    elif place not in _ACCEPT_ON_DIAGONAL:
        down = [d for d in _ACCEPT_ON_DIAGONAL if d > place]
        row = (min(down) if down else _LAST) - column
    row = min(max(row, 0), len(LETTERS) - 1)
    return Plan(LETTERS[row], SAMPLE_SIZES[row], _ACCEPT_ON_DIAGONAL[row + column])


def acceptance_probability(
    plan: Plan, bad_count: NDArray[Any] | int, *, lot_count: int
) -> Array:
    """Probability that a lot with so many meters out of limits is accepted (hypergeometric).

    The sample is drawn at random and without replacement.
    """
    found: Array = stats.hypergeom.cdf(plan.accept, lot_count, bad_count, plan.sample_count)
    return found


def process_acceptance_probability(plan: Plan, bad_share: Array | float) -> Array:
    """The same for a lot from a large supply with this share out of limits (binomial)."""
    found: Array = stats.binom.cdf(plan.accept, plan.sample_count, bad_share)
    return found


@lru_cache(maxsize=4096)
def bad_share_accepted(plan: Plan, lot_count: int, probability: float) -> float:
    """Largest share of a lot out of limits that is accepted with at least this probability."""
    low, high = 0, lot_count  # accepted for sure with none out of limits
    while low < high:
        middle = (low + high + 1) // 2
        accepted = acceptance_probability(plan, middle, lot_count=lot_count)
        low, high = (middle, high) if accepted >= probability else (low, middle - 1)
    return low / lot_count
