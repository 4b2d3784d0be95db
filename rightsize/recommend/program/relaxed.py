"""The linear relaxation of a program: its bound, prices, and a near integer choice.

The linear relaxation bounds the optimum and gives shadow prices of money and hours. Rounded
down and filled up it is near the optimum; options excluded by reduced costs need not be
searched.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

from rightsize.errors import ContractError
from rightsize.recommend.program.options import Limits, Options, Rows, rows_of
from rightsize.recommend.program.ranking import drop_small_lots, fill_up
from rightsize.recommend.program.rows import Model

Array = NDArray[np.float64]
_WHOLE = 1e-6


@dataclass(frozen=True)
class Relaxed:
    """Optimum of the linear relaxation."""

    share: Array  # [columns] share of each option taken, then of each area opened
    option_count: int
    bound_usd: float  # no whole choice is worth more
    reduced_usd: Array  # [columns] what forcing one away from 0 or 1 costs at least
    usd_per_usd: float  # value of one more USD of budget
    usd_per_hour: float  # value of one more crew hour

    @property
    def open_share(self) -> Array:
        """Share of each area opened; empty where lots do not bind."""
        return self.share[self.option_count :]


def relax(model: Model) -> Relaxed:
    """Solve the linear relaxation.

    Raises
    ------
    ContractError
        If the solver fails.
    """
    matrix: Any = model.matrix
    answer: Any = linprog(
        c=model.cost_usd, A_ub=matrix, b_ub=model.limit, bounds=(0, 1), method="highs"
    )
    if answer.status != 0:
        raise ContractError(f"the program could not be solved: {answer.message}")
    prices = -np.asarray(answer.ineqlin.marginals)
    reduced = answer.lower.marginals - answer.upper.marginals
    return Relaxed(
        share=answer.x,
        option_count=model.option_count,
        bound_usd=float(-answer.fun),
        reduced_usd=np.abs(reduced),
        usd_per_usd=float(prices[0]),
        usd_per_hour=float(prices[1]) if model.has_hours else 0.0,
    )


def rounded(options: Options, areas: Rows, relaxed: Relaxed, limits: Limits) -> Rows:
    """An integer choice near the relaxation: its integer part, filled up by priced return."""
    order = _by_priced_return(options, relaxed)
    if not len(areas):
        whole = rows_of(np.flatnonzero(relaxed.share > 1 - _WHOLE).tolist())
        return fill_up(options, whole, limits, order=order)
    best = rows_of([])
    for least in (0.999, 0.5, 0.2, 0.01):
        opened = _opened(areas, relaxed.open_share, least, limits.lots.max_area_count)
        inside = order[np.isin(options.area[order], opened)]
        chosen = fill_up(options, rows_of([]), limits, order=inside)
        kept = drop_small_lots(options, chosen, limits)
        full = np.unique(options.area[kept])
        inside = order[np.isin(options.area[order], full)]
        kept = fill_up(options, kept, limits, order=inside)
        best = max(best, kept, key=lambda rows: options.value_of(rows, limits.lots))
    return best


def _opened(areas: Rows, open_share: Array, least: float, most: int | None) -> Rows:
    order = np.argsort(-open_share, kind="stable")
    kept = order[open_share[order] >= least]
    return areas[kept if most is None else kept[:most]]


def _by_priced_return(options: Options, relaxed: Relaxed) -> Rows:
    """Options by value over what they take of money and hours, at the relaxation's prices."""
    taken = relaxed.usd_per_usd * options.cost_usd + relaxed.usd_per_hour * options.crew_hours
    priced = taken if np.any(taken > 0) else options.cost_usd
    return np.argsort(-options.value_usd / np.maximum(priced, 1e-9), kind="stable")
