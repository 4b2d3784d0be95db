"""One visit of a campaign: what a crew does at one meter, and what it is worth."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True)
class Visit:
    """A planned log, test or change of interval at one meter."""

    account_id: str
    meter_id: str
    kind: str  # of learning, as in the table value_of_knowing
    week_start_on: date  # Monday of the week in which the work begins
    area: str  # of the meter list; blank where it does not say
    crew: int  # from 1
    logger_count: int  # loggers bound for `duration_days`; 0 where none is needed
    duration_days: float
    expected_gain_usd: float  # of the better decision over the meter's life, present value
    cost_usd: float
    net_usd: float
    reason: str
