"""A register's step from what the months of a year show of it."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import Final

SMALLEST_STEP_GAL: Final = 1e-4
"""Below the finest register (0.01 gal, common practice): rounding, no step [gal]."""
_WHOLE: Final = 1e-3  # how far from whole a multiple may lie: above rounding to 1e-6 gal
_MOST: Final = 0.75  # share of the months that must be multiples of the step: our convention


def common_step(month_steps: Sequence[float]) -> float | None:
    """The greatest step [gal] of which most months' steps are whole multiples; None if none.

    A month in which a meter always passes the same volume shows that volume for a step; what
    the months have in common is the register's.
    """
    steps = sorted({round(s, 6) for s in month_steps})
    if len(steps) < 2:
        return steps[0] if steps else None
    shared = {_common(a, b) for a, b in combinations(steps, 2)}
    shared |= {_common(a, s) for a in tuple(shared) for s in steps}
    wanted = _MOST * len(month_steps)
    for step in sorted({*steps, *shared}, reverse=True):
        if step >= SMALLEST_STEP_GAL and sum(_is_whole(s, step) for s in month_steps) >= wanted:
            return step
    return None


def _is_whole(value: float, step: float) -> bool:
    count = value / step
    return round(count) > 0 and abs(count - round(count)) < _WHOLE


def _common(a: float, b: float) -> float:
    """Euclid's algorithm on numbers that are whole but for rounding."""
    top = max(a, b)
    a, b = top, min(a, b)
    while b >= SMALLEST_STEP_GAL:
        left = abs(a - b * round(a / b))
        if left < _WHOLE * b:
            return top / round(top / b)  # the long way round is the more exact one
        a, b = b, left
    return 0.0
