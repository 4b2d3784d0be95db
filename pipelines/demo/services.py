"""Which meters stood on an account, and how their registers behaved."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pipelines.demo.calendar import Calendar
from pipelines.demo.fleet import Channel, Plan
from pipelines.demo.head_end import Service
from rightsize.meters.catalogue import Meter
from rightsize.units import gal_per_unit

STEP_MIN: Final[dict[Channel, int]] = {"fixed": 60, "cellular": 15, "walk_by": 60}
STEP: Final[dict[Channel, float]] = {"fixed": 1.0, "cellular": 0.1, "walk_by": 0.1}
UNIT: Final[dict[Channel, str]] = {"fixed": "gal", "cellular": "gal", "walk_by": "ft3"}
DIAL_DIGITS: Final = 7  # whole units on the dial of a walk-by register
# step of a coarse register, and the multiplier its counts need
COARSE: Final = ((10.0, 1), (100.0, 1), (10.0, 10), (100.0, 100))
DAY_S: Final = 86_400


@dataclass(frozen=True)
class Planted:
    """A condition that the sweep should notice, by the name of its finding."""

    code: str
    from_s: int
    flow_gpm: float = 0.0


def services_of(
    plan: Plan, meter: Meter, calendar: Calendar, rng: np.random.Generator
) -> tuple[tuple[Service, ...], tuple[Planted, ...]]:
    """The meters of an account in order, the one in service last, and what was planted."""
    days = calendar.span_s // DAY_S
    stop_s = _hour_of_day_s(calendar, int(rng.integers(int(0.8 * days), int(0.9 * days))), 12)
    now = _service(plan, meter, rng)
    if plan.trouble == "stopped":
        return (replace(now, stopped_s=stop_s),), (Planted("stopped_meter", stop_s),)
    if plan.trouble == "slow":
        return (replace(now, slowed_by_month=0.03),), (Planted("slow_meter", 0),)
    if plan.trouble == "new":
        start_s = _hour_of_day_s(calendar, max(days - 40, days // 2), 9)
        return (replace(now, from_s=start_s),), (Planted("too_few_days", start_s),)
    if plan.trouble == "change_out":
        change_s = _hour_of_day_s(calendar, days // 5, 10)
        old = replace(now, meter_id=f"{plan.meter_id}X", to_s=change_s)
        return (old, replace(now, first_reading=0, from_s=change_s)), ()
    return (now,), ()


def _service(plan: Plan, meter: Meter, rng: np.random.Generator) -> Service:
    step, multiplier = STEP[plan.channel], 1
    if plan.is_coarse:
        step, multiplier = COARSE[int(rng.integers(len(COARSE)))]
    first = 0
    if plan.channel == "walk_by":  # one dial in three is about to roll over
        first = int(10**DIAL_DIGITS / step * rng.choice([0.1, 0.4, 0.9999]))
    return Service(
        plan.meter_id,
        meter,
        step,
        gal_per_unit(UNIT[plan.channel]),
        multiplier,
        first_reading=first,
    )


def _hour_of_day_s(calendar: Calendar, day: int, hour: int) -> int:
    return int(calendar.day_start_s[day]) + 3600 * hour
