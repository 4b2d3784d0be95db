"""Rules that a catalog must meet before it is used for verdicts.

Every problem is one line that names the entry, the field, the value and what is allowed.
"""

from __future__ import annotations

import itertools
import math
from collections import defaultdict
from collections.abc import Sequence
from typing import Final

from rightsize.meters.build.ratings import TRADE_SIZES_IN
from rightsize.meters.catalogue import Meter

HIGHEST_RATIO: Final = 1.1
_ORDER: Final = (
    ("starting_gpm", "min_test_gpm", "at most"),
    ("min_test_gpm", "normal_min_gpm", "below"),
    ("normal_min_gpm", "continuous_gpm", "below"),
    ("continuous_gpm", "smoc_gpm", "at most"),
)


def meter_problems(meter: Meter, *, size_override: bool = False) -> list[str]:
    """Problems of one meter by itself, as `field: allowed; got` lines."""
    problems = _size_problems(meter) if not size_override else []
    problems += _order_problems(meter)
    problems += _curve_problems(meter)
    for name in ("low_limits", "normal_limits"):
        low, high = getattr(meter, name)
        if not (0 < low <= 1 <= high <= HIGHEST_RATIO and low < high):
            problems.append(
                f"{name}: must increase, include 1 and stay between 0 and {HIGHEST_RATIO:g}; "
                f"got [{low:g}, {high:g}]"
            )
    problems += _compound_problems(meter)
    return problems


def fleet_problems(meters: Sequence[Meter]) -> list[tuple[int, str]]:
    """Problems between meters: (row of the later entry, line).

    No duplicate type, size and grade, and within a type and grade a larger size has no lower
    capacity.
    """
    rows: dict[tuple[str, str], list[int]] = defaultdict(list)
    for row, meter in enumerate(meters):
        rows[(meter.meter_type, meter.grade)].append(row)
    problems = []
    for same_kind in rows.values():
        by_size = sorted(same_kind, key=lambda row: meters[row].size_in)
        for smaller, larger in itertools.pairwise(by_size):
            problems += _pair_problems(meters[smaller], meters[larger], larger)
    return problems


def _pair_problems(smaller: Meter, larger: Meter, row: int) -> list[tuple[int, str]]:
    if math.isclose(smaller.size_in, larger.size_in):
        text = f"size_in: duplicate {larger.label}; give one of them another grade"
        return [(row, text)]
    return [
        (
            row,
            f"{name}: must be at least {getattr(smaller, name):g}, as for {smaller.label}; "
            f"got {getattr(larger, name):g}",
        )
        for name in ("continuous_gpm", "smoc_gpm")
        if getattr(larger, name) < getattr(smaller, name)
    ]


def _size_problems(meter: Meter) -> list[str]:
    sizes = TRADE_SIZES_IN[meter.meter_type]
    if any(abs(meter.size_in - size) < 1e-6 for size in sizes):
        return []
    return [
        f"size_in: {meter.meter_type} meters are made in "
        f"{', '.join(f'{s:g}' for s in sizes)} in (set size_override: true to allow another); "
        f"got {meter.size_in:g}"
    ]


def _order_problems(meter: Meter) -> list[str]:
    problems = []
    for lower, upper, words in _ORDER:
        low, high = getattr(meter, lower), getattr(meter, upper)
        if not (low < high or (words == "at most" and low == high)):
            problems.append(f"{lower}: must be {words} {upper} ({high:g}); got {low:g}")
    return problems


def _compound_problems(meter: Meter) -> list[str]:
    """The changeover must be where both elements can work."""
    if meter.compound is None:
        return []
    falling = meter.compound.changeover_falling_gpm
    rising = meter.compound.changeover_rising_gpm
    problems = []
    if falling <= meter.min_test_gpm:
        problems.append(
            f"changeover_falling_gpm: must be above min_test_gpm ({meter.min_test_gpm:g}); "
            f"got {falling:g}"
        )
    if rising >= meter.smoc_gpm:
        problems.append(
            f"changeover_rising_gpm: must be below smoc_gpm ({meter.smoc_gpm:g}); "
            f"got {rising:g}"
        )
    return problems


def _curve_problems(meter: Meter) -> list[str]:
    flows = [flow for flow, _ in meter.registration]
    problems = [
        f"registration: flows must be above 0; got {flow:g}" for flow in flows if flow <= 0
    ]
    problems += [
        f"registration: flows must increase from point to point; got {a:g} then {b:g}"
        for a, b in itertools.pairwise(flows)
        if b <= a
    ]
    problems += [
        f"registration: ratio at {flow:g} gpm must be from 0 to {HIGHEST_RATIO:g}; "
        f"got {ratio:g}"
        for flow, ratio in meter.registration
        if not 0 <= ratio <= HIGHEST_RATIO
    ]
    return problems
