"""The campaign of most value: which sites, with what, in which week.

The value is that of the better decisions at the sites, and of what logs teach of their classes,
less visits and trips. The optimum is compared with simple rankings under the same limits.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog
from scipy.sparse import coo_array, csr_array, vstack

from rightsize.campaign.in_order import in_order, keeps
from rightsize.campaign.learning_options import Limits, Options, Plan
from rightsize.campaign.model import class_prices, solve, trips
from rightsize.errors import ConfigError

Array = NDArray[np.float64]
Index = NDArray[np.int64]

MOST_OPTIONS: Final = 1200
"""Options that the solver sees: past it, those of best return (convention; the gap is then
against a bound on all of them: parts of options, weeks and trips left out)."""
RANDOM_ORDERS: Final = 20
_SECONDS: Final = 20.0
_SEED: Final = 20


@dataclass(frozen=True)
class Campaign:
    """A campaign, and what simple rankings reach within the same limits."""

    options: Options
    limits: Limits
    plan: Plan
    largest_gain: Plan  # the largest expected gain first
    random: tuple[Plan, ...]

    @property
    def random_value_usd(self) -> float:
        """Mean value of sites taken at random among those worth their cost."""
        return math.fsum(p.value_usd for p in self.random) / max(len(self.random), 1)


def choose_campaign(
    options: Options,
    limits: Limits,
    *,
    gain_by_class: dict[str, float] | None = None,
    held_logs: dict[str, int] | None = None,
    relative_gap: float = 0.01,
    most_seconds: float = _SECONDS,
) -> Campaign:
    """The campaign of most value within the limits.

    Parameters
    ----------
    options : Options
        Kinds of learning at the fleet's meters.
    limits : Limits
        Loggers, weeks, budget, crews.
    gain_by_class : dict, optional
        Sum of the expected gain of a log over all sites of each class; of the options' own
        logs if not given.
    held_logs : dict, optional
        Logs of each class that are already held.
    relative_gap, most_seconds : float
        Where the solver may stop.

    Raises
    ------
    ConfigError
        If a limit is out of range.
    """
    _check(limits)
    worth = options.rows((options.net_usd > 0) & options.is_in_season.any(axis=1))
    gains = _class_gain(options) if gain_by_class is None else gain_by_class
    prices = class_prices(worth, gains, held_logs or {}, limits)
    by_gain = _plan(worth, limits, prices, np.argsort(-worth.gain_usd, kind="stable"))
    by_return = _plan(worth, limits, prices, np.argsort(-_return(worth), kind="stable"))
    shuffled = [
        _plan(worth, limits, prices, np.random.default_rng([_SEED, k]).permutation(worth.size))
        for k in range(RANDOM_ORDERS)
    ]
    start = max(by_gain, by_return, key=lambda plan: plan.value_usd)
    best = _solved(worth, limits, prices, start, relative_gap, most_seconds)
    return Campaign(worth, limits, best, by_gain, tuple(shuffled))


def _check(limits: Limits) -> None:
    if limits.logger_count < 0 or limits.crew_count < 1 or limits.week_count < 1:
        raise ConfigError(
            "a campaign needs 0 or more loggers, 1 or more weeks and crews; got"
            f" {limits.logger_count}, {limits.week_count}, {limits.crew_count}"
        )
    if not (limits.budget_usd >= 0 and math.isfinite(limits.budget_usd)):
        raise ConfigError(f"budget must be $0 or more, got {limits.budget_usd:,.2f}")


def _class_gain(options: Options) -> dict[str, float]:
    """Expected gain of the best log of each site, by class."""
    logs = options.rows(options.is_log)
    best: dict[tuple[str, str], tuple[str, float]] = {}
    for account, meter, name, gain in zip(
        logs.account_id, logs.meter_id, logs.customer_class, logs.gain_usd, strict=True
    ):
        key = (str(account), str(meter))
        best[key] = (str(name), max(float(gain), best.get(key, ("", 0.0))[1]))
    total: dict[str, float] = {}
    for name, gain in best.values():
        total[name] = total.get(name, 0.0) + gain
    return total


def _return(options: Options) -> Array:
    """Net gain over a rough price of what an option takes: money, hours and logger days."""
    taken = options.cost_usd + 50 * options.visit_hours + 10 * options.logger_days
    return np.asarray(options.net_usd / np.maximum(taken, 1e-9))


def _plan(options: Options, limits: Limits, prices: dict[str, Array], order: Index) -> Plan:
    option, week = in_order(options, limits, order.tolist())
    return valued(options, limits, prices, option, week)


def valued(
    options: Options, limits: Limits, prices: dict[str, Array], option: Index, week: Index
) -> Plan:
    """What a campaign is worth."""
    begun, ended = trips(options, option, week)
    visited = {
        (str(options.area[o]), int(w))
        for o, pair in zip(option, zip(begun, ended, strict=True), strict=True)
        for w in pair
    }
    logs = options.customer_class[option[options.is_log[option]]]
    names, counts = np.unique(logs, return_counts=True)
    taught = sum(
        float(prices[str(name)][:count].sum())
        for name, count in zip(names, counts, strict=True)
    )
    return Plan(
        option=option,
        week=week,
        site_net_usd=math.fsum(options.net_usd[option]),
        class_usd=taught,
        trip_usd=len(visited) * limits.area_trip_usd,
        best_possible_usd=math.inf,
    )


def _solved(
    options: Options,
    limits: Limits,
    prices: dict[str, Array],
    start: Plan,
    relative_gap: float,
    most_seconds: float,
) -> Plan:
    few, beyond = np.arange(options.size), 0.0
    if options.size > MOST_OPTIONS:
        order = np.argsort(-_return(options), kind="stable")
        few = np.union1d(np.sort(order[:MOST_OPTIONS]), start.option)
        beyond = _bound_on_all(options, limits, prices)
    option, week, bound = solve(
        options.rows(few),
        limits,
        prices,
        relative_gap=relative_gap,
        most_seconds=most_seconds,
    )
    found = start
    if len(option) and keeps(options, limits, few[option], week):
        plan = valued(options, limits, prices, few[option], week)
        found = max(start, plan, key=lambda p: p.value_usd)
    best = max(bound, found.value_usd)
    if beyond:
        best = max(beyond, found.value_usd)
    return replace(found, best_possible_usd=best)


def _bound_on_all(options: Options, limits: Limits, prices: dict[str, Array]) -> float:
    """No campaign is worth more: any part of any option, weeks and trips left out."""
    weeks = limits.week_count
    _, site = np.unique(options.site, return_inverse=True)
    place, count = np.arange(options.size), int(site.max()) + 1
    uses = np.stack(
        [options.logger_share * options.weeks_held, options.visit_hours, options.cost_usd]
    )
    hours = (weeks + 1) * limits.crew_count * limits.crew_hours_per_week
    most = np.array([limits.logger_count * weeks, hours, limits.budget_usd])
    sites = coo_array((np.ones(options.size), (site, place)), shape=(count, options.size))
    answer: Any = linprog(
        c=-options.net_usd,
        A_ub=vstack([sites, csr_array(uses)]).tocsr(),
        b_ub=np.concatenate([np.ones(count), most]),
        bounds=(0, 1),
        method="highs",
    )
    if answer.status != 0:
        return math.inf
    return float(-answer.fun) + sum(float(p.sum()) for p in prices.values())
