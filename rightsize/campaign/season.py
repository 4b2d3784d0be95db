"""In which weeks a site can be logged: where its peaks and its use are to be seen."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

MONTHS: Final = 12
EARLIEST: Final = date(2000, 1, 1)
LATEST: Final = date(2199, 12, 31)
"""First and last day of a plan: what lies outside is a slip of the pen (our convention)."""
IRRIGATION_MONTHS: Final = (5, 6, 7, 8, 9)
"""Months of irrigation where a site's own are not known (common practice, northern hemisphere,
as are the tariff's summer months)."""


def months_to_log(gal_per_day: Array, is_irrigation: Flags, *, season_share: float) -> Flags:
    """Calendar months in which a log shows what matters [N, 12].

    Parameters
    ----------
    gal_per_day : array [N, 12]
        Daily volume of each calendar month; NaN where it is not known.
    is_irrigation : bool [N]
        Seasonal services: held against their largest month, others against their mean.
    season_share : float
        Share of it that a month must reach.
    """
    known = np.isfinite(gal_per_day)
    count = known.sum(axis=1)
    volume = np.where(known, gal_per_day, 0.0)
    mean = volume.sum(axis=1) / np.maximum(count, 1)
    least = season_share * np.where(is_irrigation, volume.max(axis=1, initial=0.0), mean)
    seen = np.where(known, volume >= least[:, None], ~is_irrigation[:, None])
    usual = np.isin(np.arange(1, MONTHS + 1), IRRIGATION_MONTHS)
    blank = (count == 0) & is_irrigation
    return np.asarray(np.where(blank[:, None], usual, seen), dtype=np.bool_)


def first_monday(start_on: date) -> date:
    """The Monday of the first whole week from a day on."""
    return start_on + timedelta(days=-start_on.weekday() % 7)


def weeks_in_season(months: Flags, start_on: date, *, weeks: int, days: NDArray[Any]) -> Flags:
    """Weeks in which work may begin [N, W]: all of its days lie in months to log.

    Parameters
    ----------
    months : bool [N, 12]
        Months to log.
    start_on : date
        Monday of the first week.
    weeks : int
        Weeks of the campaign; work that would end after it does not begin.
    days : array [N]
        Days that the work lasts.
    """
    may = np.zeros((len(months), weeks), dtype=bool)
    held = np.maximum(np.ceil(days / 7), 1).astype(np.int64)
    for week in range(weeks):
        begin = start_on + timedelta(weeks=week)
        for count in np.unique(held):
            mine = held == count
            ends = [begin, begin + timedelta(weeks=int(count), days=-1)]
            inside = np.all([months[mine, day.month - 1] for day in ends], axis=0)
            may[mine, week] = inside & (week + count <= weeks)
    return may
