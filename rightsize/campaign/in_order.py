"""A campaign by a simple ranking: the next site that still fits, in the first week that does.

What a utility without the solver would do, and the campaign's own fall-back.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from rightsize.campaign.learning_options import Limits, Options
from rightsize.campaign.model import trips

Array = NDArray[np.float64]
Index = NDArray[np.int64]


class Ledger:
    """What is taken of each week so far."""

    def __init__(self, options: Options, limits: Limits) -> None:
        self.options, self.limits = options, limits
        longest = float(options.visit_hours.max(initial=0.0))
        self.hours_left = np.full(limits.week_count + 1, limits.hours_of_week(longest))
        self.loggers_left = np.full(limits.week_count + 1, float(limits.logger_count))
        self.money_left = limits.budget_usd
        self.trips: set[tuple[str, int]] = set()
        self.sites: set[tuple[str, str]] = set()

    def take(self, option: int) -> int | None:
        """Begin an option in the first week in which it fits; None if there is none."""
        held = self.options
        site = (str(held.account_id[option]), str(held.meter_id[option]))
        if site in self.sites:
            return None
        half = held.visit_hours[option] / 2
        open_weeks = held.is_in_season[option] & (self.hours_left[:-1] >= half)
        open_weeks &= self.loggers_left[:-1] >= held.logger_share[option] - 1e-9
        if held.cost_usd[option] > self.money_left:
            return None
        for week in np.flatnonzero(open_weeks).tolist():
            if self.fits(option, week):
                self.sites.add(site)
                return int(week)
        return None

    def fits(self, option: int, week: int) -> bool:
        """Whether an option can begin in a week; if so, it is entered."""
        held, limits = self.options, self.limits
        at = np.array([option]), np.array([week])
        begun, ended = (int(w[0]) for w in trips(held, *at))
        area = str(held.area[option])
        new = {(area, begun), (area, ended)} - self.trips
        hours = np.zeros_like(self.hours_left)
        hours[begun] += held.visit_hours[option] / 2
        hours[ended] += held.visit_hours[option] / 2
        for _, at_week in new:
            hours[at_week] += limits.area_trip_hours
        loggers = np.zeros_like(hours)
        loggers[week : week + int(held.weeks_held[option])] = held.logger_share[option]
        money = float(held.cost_usd[option]) + len(new) * limits.area_trip_usd
        if (
            np.any(hours > self.hours_left + 1e-9)
            or np.any(loggers > self.loggers_left + 1e-9)
            or money > self.money_left + 1e-9
        ):
            return False
        self.hours_left -= hours
        self.loggers_left -= loggers
        self.money_left -= money
        self.trips |= new
        return True


def in_order(options: Options, limits: Limits, order: Iterable[int]) -> tuple[Index, Index]:
    """Options taken in an order, and the week in which each begins."""
    ledger = Ledger(options, limits)
    taken, weeks = [], []
    for option in order:
        week = ledger.take(int(option))
        if week is not None:
            taken.append(int(option))
            weeks.append(week)
    return np.array(taken, dtype=np.int64), np.array(weeks, dtype=np.int64)


def keeps(options: Options, limits: Limits, option: Index, week: Index) -> bool:
    """Whether a campaign stays within every limit."""
    ledger = Ledger(options, limits)
    sites = {(str(options.account_id[o]), str(options.meter_id[o])) for o in option}
    return len(sites) == len(option) and all(
        bool(options.is_in_season[o, w]) and ledger.fits(int(o), int(w))
        for o, w in zip(option, week, strict=True)
    )
