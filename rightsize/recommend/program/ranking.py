"""Simple rankings, for comparison with a program: take the next best within the limits."""

from __future__ import annotations

import math
from collections import Counter
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rightsize.recommend.program.options import Limits, Options, Rows, rows_of

Array = NDArray[np.float64]

RANKINGS: Final = ("largest_benefit_first", "best_return_first", "shortest_payback_first")


def ranked(options: Options, method: str) -> Rows:
    """Options in the order of a simple ranking; ties in the order of the frame."""
    tiny = np.maximum(options.cost_usd, 1e-9)
    key = {
        "largest_benefit_first": options.benefit_usd_per_year,
        "best_return_first": options.value_usd / tiny,
        "shortest_payback_first": options.benefit_usd_per_year / tiny,
    }[method]
    return np.argsort(-key, kind="stable")


def rank_up(options: Options, method: str, limits: Limits) -> Rows:
    """Take options in order, skipping those that do not fit; drop areas with too few."""
    order = ranked(options, method)
    if method == "largest_benefit_first":
        order = _first_of_each_meter(options, order)
    return drop_small_lots(options, fill_up(options, rows_of([]), limits, order=order), limits)


def _first_of_each_meter(options: Options, order: Rows) -> Rows:
    first = np.unique(options.meter[order], return_index=True)[1]
    return order[np.sort(first)]


def fill_up(
    options: Options, chosen: Rows, limits: Limits, *, order: Rows | None = None
) -> Rows:
    """Add to a choice, in order, whatever still fits."""
    order = ranked(options, "best_return_first") if order is None else order
    money = limits.budget_usd - options.spent(chosen, limits.lots)
    hours = limits.crew_hours - math.fsum(options.crew_hours[chosen])
    taken = set(options.meter[chosen].tolist())
    areas = set(options.area[chosen].tolist())
    most_areas = math.inf if limits.lots.max_area_count is None else limits.lots.max_area_count
    kept = chosen.tolist()
    columns = (options.meter, options.area, options.cost_usd, options.crew_hours)
    for row, meter, area, cost, needed in zip(
        order.tolist(), *(c[order].tolist() for c in columns), strict=True
    ):
        opening = 0.0 if area in areas else limits.lots.mobilise_usd
        if meter in taken or cost + opening > money or needed > hours:
            continue
        if area not in areas and len(areas) >= most_areas:
            continue
        kept.append(row)
        taken.add(meter)
        areas.add(area)
        money -= cost + opening
        hours -= needed
    return rows_of(kept)


def drop_small_lots(options: Options, chosen: Rows, limits: Limits) -> Rows:
    """A choice without the areas in which it has too few change-outs."""
    count = Counter(options.area[chosen].tolist())
    least = limits.lots.min_change_count
    return rows_of(r for r in chosen.tolist() if count[int(options.area[r])] >= least)
