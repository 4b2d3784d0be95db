"""The change-outs of highest present value within a budget and crew hours.

Each meter in service has one of its options or none; budget, crew hours and area rules limit
the total. The optimum is compared with simple rankings under the same limits.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import polars as pl

from rightsize.errors import ConfigError
from rightsize.recommend.program.model import Solved, best_options
from rightsize.recommend.program.options import Limits, Lots, Options, Rows, as_options
from rightsize.recommend.program.ranking import RANKINGS, rank_up

CURVE_SHARES: Final = (0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 2.0)
"""Budgets of the value curve, as shares of the budget asked for."""
_MAIN_SECONDS: Final = 30.0
_CURVE_SECONDS: Final = 5.0


@dataclass(frozen=True)
class Program:
    """The chosen change-outs, their benefit, and the optimality gap."""

    selected: pl.DataFrame  # the chosen rows of the options, best return first
    budget_usd: float
    cost_usd: float  # change-outs and opening of areas
    net_present_value_usd: float  # as weighed by the certainty preference
    net_benefit_usd_per_year: float  # expected
    crew_hours: float
    area_count: int
    best_possible_usd: float  # upper bound of the present value, proven by the solver
    ranking: pl.DataFrame  # simple rankings under the same limits
    curve: pl.DataFrame  # present value by budget, and what one more USD brings

    @property
    def gap_share(self) -> float:
        """Optimality gap: how far the value may be below the best possible, as a share."""
        if self.best_possible_usd <= 0:
            return 0.0
        return max(0.0, 1 - self.net_present_value_usd / self.best_possible_usd)


def choose_program(
    candidates: pl.DataFrame,
    *,
    budget_usd: float,
    crews: int | None = None,
    crew_hours_per_year: float = 1600.0,
    lots: Lots | None = None,
    certainty_share: float = 0.0,
    relative_gap: float = 5e-4,
    with_curve: bool = True,
) -> Program:
    """The change-outs of most present value within budget, crews and lots.

    Parameters
    ----------
    candidates : frame
        One row an option: account_id, meter_id, meter_type, size_in, change_cost_usd,
        net_present_value_usd, net_benefit_usd_per_year; optional area, crew_hours,
        net_benefit_low_usd_per_year. Options of one meter exclude each other.
    budget_usd : float
        Money for purchase, installation and the opening of areas.
    crews, crew_hours_per_year : int, float
        Crews, and what one of them works on change-outs in the year; no limit if not given.
    lots : Lots, optional
        Bundling by area.
    certainty_share : float
        0 counts expected benefit, 1 the low end of its 90 % interval, between them a mix.
    relative_gap : float
        Share of the optimum at which the solver may stop.
    with_curve : bool
        Also solve for smaller and larger budgets.

    Raises
    ------
    ConfigError
        If budget, crews, hours, lots or certainty are out of range.
    ContractError
        If the frame lacks a column or holds a cost below 0.
    """
    _check(budget_usd, crews, crew_hours_per_year, certainty_share, lots)
    options = as_options(candidates, certainty_share=certainty_share)
    limits = Limits(
        budget_usd=float(budget_usd),
        crew_hours=math.inf if crews is None else crews * crew_hours_per_year,
        lots=lots or Lots(),
    )
    shares = CURVE_SHARES if with_curve else (1.0,)
    solved = _by_budget(options, limits, shares, relative_gap=relative_gap)
    best = solved[shares.index(1.0)]
    chosen = best.chosen
    value_usd = options.value_of(chosen, limits.lots)
    return Program(
        selected=_selected(candidates, options, chosen),
        budget_usd=limits.budget_usd,
        cost_usd=options.spent(chosen, limits.lots),
        net_present_value_usd=value_usd,
        net_benefit_usd_per_year=math.fsum(options.benefit_usd_per_year[chosen]),
        crew_hours=math.fsum(options.crew_hours[chosen]),
        area_count=options.opened(chosen),
        best_possible_usd=max(best.bound_usd, value_usd),
        ranking=_rankings(options, limits, value_usd),
        curve=_curve(options, limits, shares, solved),
    )


def _check(
    budget_usd: float,
    crews: int | None,
    crew_hours_per_year: float,
    certainty_share: float,
    lots: Lots | None,
) -> None:
    if not (budget_usd >= 0 and math.isfinite(budget_usd)):
        raise ConfigError(f"budget must be $0 or more, got {budget_usd:,.2f}")
    if crews is not None and crews < 0:
        raise ConfigError(f"crews must be 0 or more, got {crews}")
    if not crew_hours_per_year > 0:
        raise ConfigError(f"crew_hours_per_year must be above 0, got {crew_hours_per_year}")
    if not 0 <= certainty_share <= 1:
        raise ConfigError(f"certainty_share must be 0 to 1, got {certainty_share}")
    if lots is not None and (lots.mobilise_usd < 0 or lots.min_change_count < 1):
        raise ConfigError(
            "lots need mobilise_usd of 0 or more and min_change_count of 1 or more, "
            f"got {lots.mobilise_usd} and {lots.min_change_count}"
        )


def _by_budget(
    options: Options, limits: Limits, shares: tuple[float, ...], *, relative_gap: float
) -> list[Solved]:
    """Best choice and bound at each share of the budget, smallest first.

    A larger budget keeps the smaller one's choice where the solver, stopping at its gap,
    found less: more money never brings less.
    """
    solved: list[Solved] = []
    for share in shares:
        found = best_options(
            options,
            replace(limits, budget_usd=limits.budget_usd * share),
            relative_gap=relative_gap,
            most_seconds=_MAIN_SECONDS if share == 1.0 else _CURVE_SECONDS,
        )
        before = solved[-1].chosen if solved else found.chosen
        chosen = max(found.chosen, before, key=lambda rows: options.value_of(rows, limits.lots))
        solved.append(replace(found, chosen=chosen))
    return solved


def _selected(candidates: pl.DataFrame, options: Options, chosen: Rows) -> pl.DataFrame:
    picked = candidates[options.row[chosen]].with_columns(
        crew_hours=pl.Series(options.crew_hours[chosen]),
        return_usd_per_usd=pl.Series(
            options.value_usd[chosen] / np.maximum(options.cost_usd[chosen], 1e-9)
        ),
    )
    return picked.sort("return_usd_per_usd", descending=True, maintain_order=True)


def _rankings(options: Options, limits: Limits, value_usd: float) -> pl.DataFrame:
    """Present value and cost of each simple ranking, and the program's gain over it."""
    rows = [(method, rank_up(options, method, limits)) for method in RANKINGS]
    return pl.DataFrame(
        {
            "ranking": [method for method, _ in rows],
            "change_count": [len(chosen) for _, chosen in rows],
            "cost_usd": [options.spent(chosen, limits.lots) for _, chosen in rows],
            "net_present_value_usd": [options.value_of(c, limits.lots) for _, c in rows],
        }
    ).with_columns(programme_gain_usd=value_usd - pl.col("net_present_value_usd"))


def _curve(
    options: Options, limits: Limits, shares: tuple[float, ...], solved: list[Solved]
) -> pl.DataFrame:
    """Present value by budget, and the return on one more dollar."""
    chosen = [s.chosen for s in solved]
    return pl.DataFrame(
        {
            "budget_usd": [limits.budget_usd * s for s in shares],
            "change_count": [len(rows) for rows in chosen],
            "cost_usd": [options.spent(rows, limits.lots) for rows in chosen],
            "net_present_value_usd": [options.value_of(rows, limits.lots) for rows in chosen],
            "marginal_value_usd_per_usd": [s.usd_per_usd for s in solved],
        }
    )
