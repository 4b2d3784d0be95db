"""The best integer choice: linear relaxation, then HiGHS branch and bound on the rest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp

from rightsize.errors import ContractError
from rightsize.recommend.program.options import Limits, Options, Rows
from rightsize.recommend.program.ranking import RANKINGS, fill_up, rank_up
from rightsize.recommend.program.relaxed import Relaxed, relax, rounded
from rightsize.recommend.program.rows import Model, as_model, lot_areas

Array = NDArray[np.float64]

# A bound is met in floating point: a millionth of it more or less is no better choice.
_SAME_SHARE = 1e-9


@dataclass(frozen=True)
class Solved:
    """A choice, the upper bound on its value, and the value of more budget."""

    chosen: Rows
    bound_usd: float
    usd_per_usd: float


def best_options(
    options: Options, limits: Limits, *, relative_gap: float, most_seconds: float = 30.0
) -> Solved:
    """Options of most value within the limits.

    Parameters
    ----------
    relative_gap : float
        Share of the optimum at which the search may stop.
    most_seconds : float
        Time after which it stops with what it has.

    Raises
    ------
    ContractError
        If the solver fails for another reason than time.

    Notes
    -----
    Let U be the relaxation's value and L that of a known choice. An option whose reduced cost
    exceeds U - L keeps its relaxed value, 0 or 1, in every better choice: it is fixed, which
    leaves a few hundred of tens of thousands to the search.
    """
    best = max(
        (rank_up(options, method, limits) for method in RANKINGS),
        key=lambda rows: options.value_of(rows, limits.lots),
    )
    if options.size == 0 or limits.budget_usd <= 0 or limits.crew_hours <= 0:
        return Solved(best, options.value_of(best, limits.lots), 0.0)
    areas = lot_areas(options, limits)
    model = as_model(options, areas, limits)
    relaxed = relax(model)
    near = rounded(options, areas, relaxed, limits)
    best = max(best, near, key=lambda rows: options.value_of(rows, limits.lots))
    known_usd = options.value_of(best, limits.lots)
    bound_usd = relaxed.bound_usd
    if bound_usd - known_usd > max(relative_gap, _SAME_SHARE) * bound_usd:
        found, bound_usd = _search(
            options,
            limits,
            model,
            relaxed,
            known_usd,
            relative_gap=relative_gap,
            most_seconds=most_seconds,
        )
        best = max(best, found, key=lambda rows: options.value_of(rows, limits.lots))
    return Solved(best, bound_usd, relaxed.usd_per_usd)


def _search(
    options: Options,
    limits: Limits,
    model: Model,
    relaxed: Relaxed,
    known_usd: float,
    *,
    relative_gap: float,
    most_seconds: float,
) -> tuple[Rows, float]:
    fixed = relaxed.reduced_usd > (relaxed.bound_usd - known_usd) * (1 + 1e-6) + 1e-6
    low, high = np.zeros(len(model.cost_usd)), np.ones(len(model.cost_usd))
    low[fixed & (relaxed.share > 0.5)] = 1.0
    high[fixed & (relaxed.share <= 0.5)] = 0.0
    answer = milp(
        c=model.cost_usd,
        constraints=LinearConstraint(model.matrix, -np.inf, model.limit),
        integrality=np.ones(len(model.cost_usd), dtype=np.int64),
        bounds=Bounds(low, high),
        options={"mip_rel_gap": relative_gap, "time_limit": most_seconds},
    )
    if answer.x is None:
        nothing = np.array([], dtype=np.int64)
        if answer.status == 1:  # out of time
            return nothing, relaxed.bound_usd
        if answer.status == 2:  # no choice is better than the known one
            return nothing, known_usd
        raise ContractError(f"the program could not be solved: {answer.message}")
    bound_usd = min(relaxed.bound_usd, max(known_usd, float(-answer.mip_dual_bound)))
    chosen = np.flatnonzero(answer.x[: options.size] > 0.5)
    return _repaired(options, chosen, limits), bound_usd


def _repaired(options: Options, chosen: Rows, limits: Limits) -> Rows:
    """The solver's choice, corrected for its tolerance and filled up."""
    order = np.argsort(options.value_usd[chosen], kind="stable")
    while len(chosen) and not options.keeps(chosen, limits):
        if limits.lots.is_active:
            return np.array([], dtype=np.int64)
        chosen, order = np.delete(chosen, order[0]), order[1:] - (order[1:] > order[0])
    return chosen if limits.lots.is_active else fill_up(options, chosen, limits)
