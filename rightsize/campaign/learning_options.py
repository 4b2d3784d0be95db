"""What a campaign may do, as columns, and the limits on it."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.int64]
Flags = NDArray[np.bool_]
Texts = NDArray[np.str_]

DAYS_PER_WEEK: Final = 7


@dataclass(frozen=True)
class Options:
    """N options: one kind of learning at one meter; those of one meter exclude each other."""

    account_id: Texts
    meter_id: Texts
    area: Texts  # blank where the meter list does not say: one area of its own
    customer_class: Texts
    kind: Texts
    gain_usd: Array  # expected gain of the better decision at the site itself
    cost_usd: Array
    visit_hours: Array  # of the crew at the site, to set and to fetch together
    logger_days: Array  # 0 where no logger stands there
    is_in_season: Flags  # [N, W] weeks in which the work may begin

    @property
    def size(self) -> int:
        """Number of options."""
        return len(self.kind)

    @property
    def site(self) -> Texts:
        """Account and meter of each option as one name."""
        return np.asarray(np.char.add(np.char.add(self.account_id, "\n"), self.meter_id))

    @property
    def net_usd(self) -> Array:
        """Expected gain less cost."""
        return self.gain_usd - self.cost_usd

    @property
    def is_log(self) -> Flags:
        """Whether a logger stands at the site, which teaches the class too."""
        return np.asarray(self.logger_days > 0)

    @property
    def weeks_held(self) -> Index:
        """Weeks for which the loggers of each option are bound; 0 without one."""
        return np.ceil(self.logger_days / DAYS_PER_WEEK).astype(np.int64)

    @property
    def logger_share(self) -> Array:
        """Share of a logger that each takes in those weeks.

        A log of a few days leaves its logger to others of the same week: it takes its days and
        one to move it.
        """
        turns = np.floor(DAYS_PER_WEEK / (self.logger_days + 1))
        return np.where(self.is_log, 1 / np.maximum(turns, 1), 0.0)

    def rows(self, keep: NDArray[Any]) -> Options:
        """Some of the options."""
        return Options(**{f.name: getattr(self, f.name)[keep] for f in fields(self)})


@dataclass(frozen=True)
class Limits:
    """What a campaign has."""

    logger_count: int
    week_count: int
    budget_usd: float
    crew_count: int
    crew_hours_per_week: float
    area_trip_hours: float
    area_trip_usd: float
    class_half_logs: float
    class_common_share: float

    def hours_of_week(self, longest_visit_hours: float) -> float:
        """Crew hours of a week that visits and trips may take together.

        Areas are parted between crews in order: each crew past the first may have a trip more,
        and a visit that no longer fits into the day of the one before.
        """
        lost = (self.crew_count - 1) * (self.area_trip_hours + longest_visit_hours)
        return max(0.0, self.crew_count * self.crew_hours_per_week - lost)


@dataclass(frozen=True)
class Plan:
    """A campaign: options chosen, the week in which each begins, and what it is worth."""

    option: Index
    week: Index
    site_net_usd: float  # gain less cost at the sites themselves
    class_usd: float  # what the logs teach of their classes
    trip_usd: float
    best_possible_usd: float  # upper bound of the value, proven by the solver

    @property
    def value_usd(self) -> float:
        """Net value of the campaign."""
        return self.site_net_usd + self.class_usd - self.trip_usd

    @property
    def gap_share(self) -> float:
        """How far the value may be below the best possible, as a share of it."""
        if not self.best_possible_usd > 0 or not math.isfinite(self.best_possible_usd):
            return 0.0
        return max(0.0, 1 - self.value_usd / self.best_possible_usd)
