"""A campaign as an integer program, solved by HiGHS with its gap.

Variables: an option begun in a week; an area worked in during a week; a further log of a class.
Limits: one option a meter; loggers, crew hours and trips of each week; the budget. A log is set
in the week in which it begins and fetched in the week in which it ends, half its hours each; a
log within one week takes one trip.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array, vstack

from rightsize.campaign.learning_options import Limits, Options
from rightsize.errors import ContractError
from rightsize.knowing.class_learning import next_log_usd

Array = NDArray[np.float64]
Index = NDArray[np.int64]

MOST_CLASS_LOGS: Final = 12
"""Logs of a class that are priced; the next would be worth little (convention)."""


@dataclass(frozen=True)
class Columns:
    """Columns of the program: options by week, areas by week, logs by class."""

    option: Index  # [X]
    week: Index  # [X]
    area_week: Index  # [Z] area number times (weeks + 1), plus the week
    class_log_usd: Array  # [Y]
    class_of: Index  # [Y]

    @property
    def count(self) -> int:
        """Number of columns."""
        return len(self.option) + len(self.area_week) + len(self.class_log_usd)


def trips(options: Options, option: Index, week: Index) -> tuple[Index, Index]:
    """Weeks of a visit to set and of one to fetch; the same for what ends in its week."""
    held = options.weeks_held[option]
    return week, week + np.where(held > 1, held, 0)


def class_prices(
    options: Options, gain_by_class: dict[str, float], held: dict[str, int], limits: Limits
) -> dict[str, Array]:
    """What each further log of every class among the options is worth to its other sites."""
    most = min(MOST_CLASS_LOGS, limits.logger_count * limits.week_count * 2)
    return {
        str(name): next_log_usd(
            gain_by_class.get(str(name), 0.0),
            held_count=held.get(str(name), 0),
            most=most,
            half_count=limits.class_half_logs,
            common_share=limits.class_common_share,
        )
        for name in np.unique(options.customer_class[options.is_log])
    }


def solve(
    options: Options,
    limits: Limits,
    prices: dict[str, Array],
    *,
    relative_gap: float,
    most_seconds: float,
) -> tuple[Index, Index, float]:
    """Options chosen, the week in which each begins, and the proven upper bound [USD].

    Raises
    ------
    ContractError
        If the solver fails for another reason than time.
    """
    columns, area = _columns(options, limits, prices)
    nothing = np.zeros(0, dtype=np.int64)
    if not len(columns.option):
        return nothing, nothing, 0.0
    matrix, most = _constraints(options, limits, columns, area)
    worth = np.concatenate(
        [
            options.net_usd[columns.option],
            np.full(len(columns.area_week), -limits.area_trip_usd),
            columns.class_log_usd,
        ]
    )
    whole = np.ones(columns.count)
    whole[columns.count - len(columns.class_log_usd) :] = 0  # fall as logs do, by themselves
    answer: Any = milp(
        c=-worth,
        constraints=LinearConstraint(matrix, -np.inf, most),
        integrality=whole,
        bounds=Bounds(0, 1),
        options={"mip_rel_gap": relative_gap, "time_limit": most_seconds},
    )
    bound = -float(answer.mip_dual_bound) if answer.mip_dual_bound is not None else np.inf
    if answer.x is None:
        if answer.status == 1:  # out of time
            return nothing, nothing, bound
        raise ContractError(f"the campaign could not be solved: {answer.message}")
    chosen = np.flatnonzero(answer.x[: len(columns.option)] > 0.5)
    return columns.option[chosen], columns.week[chosen], bound


def _columns(
    options: Options, limits: Limits, prices: dict[str, Array]
) -> tuple[Columns, Index]:
    option, week = np.nonzero(options.is_in_season)
    area = np.unique(options.area, return_inverse=True)[1]
    begun, ended = trips(options, option, week)
    span = limits.week_count + 1
    area_week = np.unique(
        np.concatenate([area[option] * span + begun, area[option] * span + ended])
    )
    names = sorted(prices)
    return (
        Columns(
            option,
            week,
            area_week,
            np.concatenate([prices[n] for n in names]) if names else np.zeros(0),
            np.repeat(np.arange(len(names)), [len(prices[n]) for n in names]),
        ),
        area,
    )


class _Rows:
    """Rows of the constraint matrix, gathered block by block."""

    def __init__(self, width: int) -> None:
        self.width = width
        self.blocks: list[Any] = []
        self.most: list[Array] = []

    def add(self, row: Index, column: Index, value: Array, most: Array) -> None:
        """Coefficients at (row, column), and the upper bound of each row."""
        self.blocks.append(coo_array((value, (row, column)), shape=(len(most), self.width)))
        self.most.append(most)


def _constraints(
    options: Options, limits: Limits, columns: Columns, area: Index
) -> tuple[Any, Array]:
    rows = _Rows(columns.count)
    option, week = columns.option, columns.week
    place = np.arange(len(option))
    one = np.ones(len(option))
    first_area = len(option)
    span = limits.week_count + 1
    begun, ended = trips(options, option, week)
    site = np.unique(options.site, return_inverse=True)[1][option]
    rows.add(site, place, one, np.ones(int(site.max()) + 1))
    _add_loggers(rows, options, limits, columns)
    # hours: half to set and half to fetch
    hours = options.visit_hours[option] / 2
    area_week = columns.area_week
    spent_week = np.concatenate([begun, ended, area_week % span])
    spent_by = np.concatenate([place, place, first_area + np.arange(len(area_week))])
    spent = np.concatenate([hours, hours, np.full(len(area_week), limits.area_trip_hours)])
    most_hours = limits.hours_of_week(float(options.visit_hours.max()))
    rows.add(spent_week, spent_by, spent, np.full(span, most_hours))
    # an area is worked in where one of its sites is set or fetched
    for at in (begun, ended):
        opened = first_area + np.searchsorted(area_week, area[option] * span + at)
        rows.add(
            np.concatenate([place, place]),
            np.concatenate([place, opened]),
            np.concatenate([one, -one]),
            np.zeros(len(option)),
        )
    money = np.concatenate(
        [options.cost_usd[option], np.full(len(area_week), limits.area_trip_usd)]
    )
    at = np.arange(len(money))
    rows.add(np.zeros(len(money), np.int64), at, money, np.array([limits.budget_usd]))
    _add_classes(rows, options, columns)
    return vstack(rows.blocks).tocsr(), np.concatenate(rows.most)


def _add_loggers(rows: _Rows, options: Options, limits: Limits, columns: Columns) -> None:
    held, share = options.weeks_held[columns.option], options.logger_share[columns.option]
    place = np.arange(len(columns.option))
    row: list[Index] = []
    column: list[Index] = []
    for later in range(int(held.max(initial=0))):
        mine = held > later
        row.append(columns.week[mine] + later)
        column.append(place[mine])
    if row:
        at = np.concatenate(column)
        most = np.full(limits.week_count + 1, float(limits.logger_count))
        rows.add(np.concatenate(row), at, share[at], most)


def _add_classes(rows: _Rows, options: Options, columns: Columns) -> None:
    """Logs that are priced for a class are no more than those that are made."""
    count = int(columns.class_of.max(initial=-1)) + 1
    if not count:
        return
    names = np.unique(options.customer_class[options.is_log])
    is_log = options.is_log[columns.option]
    made = np.flatnonzero(is_log)
    of = np.searchsorted(names, options.customer_class[columns.option[made]])
    first = len(columns.option) + len(columns.area_week)
    priced = first + np.arange(len(columns.class_of))
    rows.add(
        np.concatenate([columns.class_of, of]),
        np.concatenate([priced, made]),
        np.concatenate([np.ones(len(priced)), -np.ones(len(made))]),
        np.zeros(count),
    )
