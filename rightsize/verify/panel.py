"""Registered volume by account and period, and the cases to judge, as arrays."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rightsize.errors import ContractError

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Panel:
    """What A accounts registered in P periods of equal kind (weeks or months), oldest first.

    NaN is a period without enough reads. `is_kept` accounts kept their meter all the time.
    """

    registered_gal_per_day: Array  # [A, P]
    customer_class: Ints  # [A] number of the class
    is_kept: Bools  # [A]
    steady_gal_per_day: Array | None = None  # [A, P] minimum night flow, where known
    shape_share: Array | None = None  # [A, F] share of volume by hour or weekday
    weather: Array | None = None  # [P, Q] weather series by period; NaN where not given

    def check(self) -> None:
        """Refuse arrays that do not belong together, and volumes below zero.

        Raises
        ------
        ContractError
            Names the array.
        """
        accounts, _ = self.registered_gal_per_day.shape
        for name in ("customer_class", "is_kept", "shape_share"):
            part = getattr(self, name)
            if part is not None and len(part) != accounts:
                raise ContractError(f"panel: {name} has {len(part)} rows, not {accounts}")
        steady = self.steady_gal_per_day
        if steady is not None and steady.shape != self.registered_gal_per_day.shape:
            raise ContractError("panel: steady_gal_per_day has another shape than the volumes")
        if self.weather is not None and len(self.weather) != len(
            self.registered_gal_per_day[0]
        ):
            raise ContractError("panel: weather has another number of periods than the volumes")
        if np.any(self.registered_gal_per_day < 0):
            raise ContractError("panel: a registered volume is below zero")


@dataclass(frozen=True)
class Grain:
    """How many periods each step needs, for one length of period."""

    most_before: int  # a year, so that seasons match
    least_before: int
    least_after: int
    vacant: int  # in a row next to unused to count as vacant
    side: int  # on each side of a step


# Half a year before: less cannot tell a season from a level; after it 4 weeks, or 3 months, as
# single months of one account scatter (ours).
WEEKS: Final = Grain(most_before=52, least_before=26, least_after=4, vacant=4, side=4)
MONTHS: Final = Grain(most_before=12, least_before=6, least_after=3, vacant=2, side=2)


@dataclass(frozen=True)
class Cases:
    """C change-outs: account's row of the panel, and the periods that belong to it.

    Periods from `first` up to `change` are before, those after `change` up to `end` are after;
    the period of the change itself counts for neither.
    """

    account: Ints  # [C]
    change: Ints  # [C] period in which the meter was changed
    first: Ints  # [C] first period that counts (after an earlier change-out)
    end: Ints  # [C] one past the last period that counts

    @property
    def size(self) -> int:
        """Number of cases."""
        return len(self.account)

    def before(self, periods: int) -> Bools:
        """[C, P] periods before the change."""
        at = np.arange(periods)
        return (at >= self.first[:, None]) & (at < self.change[:, None])

    def after(self, periods: int) -> Bools:
        """[C, P] periods after the change."""
        at = np.arange(periods)
        return (at > self.change[:, None]) & (at < self.end[:, None])

    def take(self, chosen: Ints | Bools) -> Cases:
        """Some of the cases."""
        return Cases(
            self.account[chosen], self.change[chosen], self.first[chosen], self.end[chosen]
        )


def cases_at(
    account: Ints,
    change: Ints,
    *,
    periods: int,
    most_before: int,
    is_test: Bools | None = None,
) -> Cases:
    """Cases whose windows end where another change-out of the account stands.

    Parameters
    ----------
    account, change : [C]
        Rows of the panel and periods of all change-outs, judged or not.
    is_test : [C], optional
        Jobs that change nothing at the meter: they end no window but their own.
    periods : int
        Periods of the panel.
    most_before : int
        Most periods that count before a change: a year, so that seasons match.
    """
    first = np.maximum(change - most_before, 0)
    end = np.full(len(change), periods)
    cuts = np.ones(len(change), dtype=bool) if is_test is None else ~is_test
    order = np.lexsort((~cuts, change, account))
    for at in (order, order[::-1]):
        last = -1  # the newest work on the way
        for case in at:
            if last >= 0 and account[last] == account[case]:
                if at is order:
                    first[case] = max(first[case], change[last] + 1)
                else:
                    end[case] = change[last]
            last = case if cuts[case] else last
    return Cases(account, change, first, end)
