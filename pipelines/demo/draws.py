"""Kinds of draw: how often water is taken, how hard, how long, and when."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipelines.demo.calendar import Calendar

Array = NDArray[np.float64]


def _shape(**weight_by_hours: float) -> Array:
    """24 hourly weights that sum to 1: `h7_9=3` gives hours 7 and 8 weight 3, others `rest`."""
    weights = np.full(24, weight_by_hours.pop("rest", 0.0))
    for span, weight in weight_by_hours.items():
        first, last = span[1:].split("_")
        weights[int(first) : int(last)] = weight
    shares: Array = weights / weights.sum()
    return shares


HOURS: Final[dict[str, Array]] = {
    "office": _shape(rest=0.03, h7_9=0.7, h9_12=1.2, h12_14=1.4, h14_17=1.1, h17_19=0.4),
    "school": _shape(rest=0.02, h7_8=0.6, h8_11=1.2, h11_13=1.6, h13_15=1.1, h15_17=0.3),
    "home": _shape(
        rest=0.25, h5_6=0.7, h6_9=1.7, h9_16=0.8, h16_18=1.1, h18_22=1.4, h22_24=0.7
    ),
    "meals": _shape(rest=0.02, h9_11=0.7, h11_14=1.5, h14_17=0.6, h17_21=1.6, h21_23=0.7),
    "shop": _shape(rest=0.02, h8_10=0.5, h10_18=1.1, h18_21=0.7),
    "shift": _shape(rest=0.05, h6_10=1.1, h10_12=1.0, h12_13=0.6, h13_16=1.0, h16_18=0.5),
    "two_shifts": _shape(rest=0.1, h5_22=1.0),
    "round": _shape(rest=1.0),
    "ward": _shape(rest=0.5, h6_10=1.5, h10_20=1.1),
    "hotel": _shape(rest=0.25, h6_10=2.0, h10_16=0.8, h16_19=0.9, h19_23=1.3),
    "night": _shape(rest=0.0, h22_24=1.0, h0_2=0.6),
    "evening": _shape(rest=0.0, h18_22=1.0),
    "morning_once": _shape(rest=0.0, h9_10=1.0),
}
WEEK: Final[dict[str, tuple[float, ...]]] = {
    "every_day": (1.0,) * 7,
    "workdays": (1.0, 1.0, 1.0, 1.0, 0.95, 0.08, 0.05),
    "six_days": (1.0, 1.0, 1.0, 1.0, 1.0, 0.7, 0.06),
    "leisure": (0.7, 0.75, 0.8, 0.9, 1.2, 1.4, 1.1),
    "homes": (0.97, 0.96, 0.96, 0.97, 1.0, 1.1, 1.1),
}
SEASON: Final[dict[str, tuple[float, ...]]] = {
    "flat": (1.0,) * 12,
    "cooling": (0.03, 0.03, 0.08, 0.2, 0.5, 0.9, 1.2, 1.1, 0.7, 0.25, 0.06, 0.03),
    "watering": (0.0, 0.0, 0.0, 0.25, 0.7, 1.0, 1.15, 1.05, 0.7, 0.2, 0.0, 0.0),
    "guests": (0.7, 0.75, 0.85, 0.85, 0.95, 1.15, 1.3, 1.3, 1.05, 0.95, 0.75, 0.8),
    "summer_only": (0.0, 0.0, 0.0, 0.0, 0.5, 1.0, 1.0, 1.0, 0.4, 0.0, 0.0, 0.0),
    "quarterly": (1.0, 0.0, 0.0, 1.0, 0.0, 0.0, 1.0, 0.0, 0.0, 1.0, 0.0, 0.0),
}


@dataclass(frozen=True)
class Draw:
    """One kind of draw at a site: rectangular pulses that start at random.

    `per_day` counts starts on a full day; every start brings `pulses` pulses `gap_s` apart.
    Intensity and duration are log-normal with mean and coefficient of variation given.
    `day_cv` spreads the number of starts between days beyond Poisson.
    """

    per_day: float
    gpm: float
    seconds: float
    hours: str = "round"
    week: str = "every_day"
    season: str = "flat"
    gpm_cv: float = 0.12
    seconds_cv: float = 0.5
    pulses: int = 1
    gap_s: int = 0
    day_cv: float = 0.15
    term_only: bool = False

    def starts_per_hour(self, calendar: Calendar) -> Array:
        """Expected starts in each hour of the span [H]."""
        rate: Array = self.per_day * HOURS[self.hours][calendar.hour_of_day]
        rate = rate * np.asarray(WEEK[self.week])[calendar.weekday]
        rate = rate * np.asarray(SEASON[self.season])[calendar.month_of_year]
        if self.term_only:
            rate = rate * np.where(calendar.in_term, 1.0, 0.06)
        return rate

    def in_season(self, season: str) -> Draw:
        """The same draw, in another season."""
        return replace(self, season=season)


@dataclass(frozen=True)
class Sets:
    """Irrigation: zones that run one after the other from a set hour on set weekdays."""

    zone_gpm: tuple[float, ...]
    zone_s: int
    hour: int
    weekdays: tuple[int, ...]
    season: str = "watering"


@dataclass(frozen=True)
class Base:
    """Steady use whose level wanders from day to day."""

    gpm: float
    season: str = "flat"
    week: str = "every_day"
    day_cv: float = 0.06


@dataclass(frozen=True)
class Site:
    """All that takes water behind one meter."""

    draws: tuple[Draw, ...] = ()
    sets: tuple[Sets, ...] = ()
    bases: tuple[Base, ...] = ()
    what: str = ""

    def in_season(self, season: str) -> Site:
        """The same site, open only in a season."""
        return replace(
            self,
            draws=tuple(d.in_season(season) for d in self.draws),
            bases=tuple(replace(b, season=season) for b in self.bases),
        )

    def joined(self, other: Site) -> Site:
        """Both sites behind one meter."""
        return Site(
            self.draws + other.draws,
            self.sets + other.sets,
            self.bases + other.bases,
            f"{self.what} with {other.what}",
        )
