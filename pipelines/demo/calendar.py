"""Local time of the demo town, hour by hour, as columns that draws are multiplied by."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
from numpy.typing import NDArray

TIMEZONE: Final = "America/Denver"  # whole-hour offsets: an hour of UTC is an hour of the town
FIRST_DAY: Final = dt.date(2024, 12, 1)

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Calendar:
    """The H hours of the simulated span; seconds count from its first instant (UTC)."""

    start_at: dt.datetime
    hour_of_day: Ints  # [H] local
    weekday: Ints  # [H] 0 = Monday
    month_of_year: Ints  # [H] 0 = January
    day: Ints  # [H] local day since the start
    month: Ints  # [H] local month since the start
    in_term: NDArray[np.bool_]  # [H] schools are open

    @property
    def hour_count(self) -> int:
        """Hours in the span."""
        return len(self.hour_of_day)

    @property
    def span_s(self) -> int:
        """Seconds in the span."""
        return 3600 * self.hour_count

    @property
    def day_start_s(self) -> Ints:
        """Second at which each local day begins [days]."""
        return 3600 * np.flatnonzero(np.diff(self.day, prepend=-1))

    @property
    def month_start_s(self) -> Ints:
        """Second at which each local month begins [months]."""
        return 3600 * np.flatnonzero(np.diff(self.month, prepend=-1))

    def instants(self, step_min: int) -> pl.Series:
        """Local wall time at each interval's border: one more than intervals."""
        end = self.start_at + dt.timedelta(hours=self.hour_count)
        utc = pl.datetime_range(
            self.start_at, end, f"{step_min}m", time_unit="us", time_zone="UTC", eager=True
        )
        return utc.dt.convert_time_zone(TIMEZONE)

    def month_name(self, month: int) -> str:
        """`2025-03` for the month counted from the start."""
        total = FIRST_DAY.year * 12 + FIRST_DAY.month - 1 + month
        return f"{total // 12}-{total % 12 + 1:02d}"

    def date_of(self, second: int) -> dt.date:
        """Local date of an instant of the span."""
        return FIRST_DAY + dt.timedelta(
            days=int(self.day[min(second // 3600, self.hour_count - 1)])
        )


def calendar_of(months: int) -> Calendar:
    """The calendar of so many local months from `FIRST_DAY`.

    Raises
    ------
    ValueError
        If `months` is not between 1 and 60.
    """
    if not 1 <= months <= 60:
        raise ValueError(f"months must be between 1 and 60; got {months}")
    total = FIRST_DAY.year * 12 + FIRST_DAY.month - 1 + months
    zone = ZoneInfo(TIMEZONE)
    start_at = dt.datetime(FIRST_DAY.year, FIRST_DAY.month, 1, tzinfo=zone).astimezone(dt.UTC)
    end_at = dt.datetime(total // 12, total % 12 + 1, 1, tzinfo=zone).astimezone(dt.UTC)
    utc = pl.datetime_range(
        start_at, end_at, "1h", closed="left", time_unit="us", time_zone="UTC", eager=True
    )
    local = utc.dt.convert_time_zone(TIMEZONE)
    date = local.dt.date()
    month_of_year = local.dt.month().cast(pl.Int64).to_numpy() - 1
    day_of_month = local.dt.day().cast(pl.Int64).to_numpy()
    months_since = (local.dt.year().cast(pl.Int64).to_numpy() - FIRST_DAY.year) * 12
    return Calendar(
        start_at=start_at,
        hour_of_day=local.dt.hour().cast(pl.Int64).to_numpy(),
        weekday=local.dt.weekday().cast(pl.Int64).to_numpy() - 1,
        month_of_year=month_of_year,
        day=(date - FIRST_DAY).dt.total_days().to_numpy(),
        month=months_since + month_of_year - (FIRST_DAY.month - 1),
        in_term=_in_term(month_of_year, day_of_month),
    )


def _in_term(month_of_year: Ints, day_of_month: Ints) -> NDArray[np.bool_]:
    day = (month_of_year + 1) * 100 + day_of_month
    summer = (day >= 610) & (day < 820)
    winter = (day >= 1220) | (day < 104)
    spring = (day >= 324) & (day < 330)
    return ~(summer | winter | spring)
