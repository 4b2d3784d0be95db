"""A planted change-out from plan to rows: both meters' reads, and what truly came."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pipelines.demo import flows
from pipelines.demo.account import MeterRows, Served, World, meter_rows
from pipelines.demo.calendar import FIRST_DAY, Calendar
from pipelines.demo.changed.pilot import PromisedMeter
from pipelines.demo.changed.planted import (
    BATCH_SHARE,
    LEAK_SHARE,
    OLD_REGISTRATION,
    POOR_REGISTRATION,
    SEED,
    WORN_LOST_SHARE,
    ChangeOut,
)
from pipelines.demo.head_end import Rows, Service
from pipelines.demo.installed import ROOM_SHARE, Need, meters_of_type
from pipelines.demo.oracle import SiteLimits
from pipelines.demo.sites import SITES
from pipelines.demo.truth import need_of, registered_by_month
from rightsize.meters.catalogue import Meter

CHANGED_AT_HOUR: Final = 10
VACANT_FROM_DAYS: Final = 45  # after the change
VACANT_DAYS: Final = 92
REGISTER_TENS: Final = 10  # gallons that the wrong register counts as one


@dataclass(frozen=True)
class ChangedAccount(Served):
    """All the demo writes of a planted change-out."""

    change_out: ChangeOut
    changed_on: dt.date
    true_gain_share: float  # registered after the change over what the old meter would have


def changed_account(
    change_out: ChangeOut, promised: PromisedMeter | None, world: World
) -> ChangedAccount:
    """Simulate one planted change-out; the same whatever process does it."""
    flow, rng = flow_of(change_out, world), _rng(change_out, 3)
    old = old_service(change_out, flow, world)
    new = _new_service(change_out, old.service, promised, flow, world)
    rows = meter_rows(change_out.plan, flow, new, world, rng)
    if change_out.outcome == "multiplier":
        rows = replace(rows, steps=rows.steps // REGISTER_TENS)
    return ChangedAccount(
        plan=change_out.plan,
        limits=SiteLimits(),
        meters=(old, MeterRows(new, rows)),
        change_out=change_out,
        changed_on=changed_on(change_out),
        true_gain_share=_true_gain(old.service, new, flow, world),
    )


def old_service(change_out: ChangeOut, flow: flows.Flow, world: World) -> MeterRows:
    """The meter that was taken out, and its rows."""
    lost = WORN_LOST_SHARE if change_out.is_worn else 0.0
    service = Service(
        change_out.old_meter_id,
        _old_meter(change_out, flow, world),
        step=1.0,
        unit_gal=1.0,
        to_s=_change_s(change_out, world.calendar),
        lost_share=lost,
    )
    return MeterRows(
        service, meter_rows(change_out.plan, flow, service, world, _rng(change_out, 2))
    )


def before_month(rows: Rows, month: int) -> Rows:
    """What the files of the months before hold."""
    return rows.where(rows.file < month)


def _rng(change_out: ChangeOut, stream: int) -> np.random.Generator:
    return np.random.default_rng([SEED, change_out.number, change_out.draw, stream])


def changed_on(change_out: ChangeOut) -> dt.date:
    """Day of the change."""
    total = FIRST_DAY.year * 12 + FIRST_DAY.month - 1 + change_out.month
    return dt.date(total // 12, total % 12 + 1, change_out.day_of_month)


def _change_s(change_out: ChangeOut, calendar: Calendar) -> int:
    day = (changed_on(change_out) - FIRST_DAY).days
    return int(calendar.day_start_s[day]) + 3600 * CHANGED_AT_HOUR


def flow_of(change_out: ChangeOut, world: World) -> flows.Flow:
    """What flowed, with what happened besides the change."""
    site = SITES[change_out.customer_class](_rng(change_out, 0))
    flow = flows.flow_of(site, world.calendar, _rng(change_out, 1))
    change_s = _change_s(change_out, world.calendar)
    if change_out.outcome == "vacancy":
        day = change_s // 86_400 + VACANT_FROM_DAYS
        start_s, end_s = world.calendar.day_start_s[[day, day + VACANT_DAYS]]
        return flows.without(flow, int(start_s), int(end_s))
    if change_out.outcome == "leak_repaired":
        mean_gpm = float((flow.gpm * flow.seconds).sum() / world.calendar.span_s)
        leak = flows.leak(LEAK_SHARE * mean_gpm, 0, change_s)
        return flows.added_up([flows.pulses_of(flow), leak], world.calendar)
    return flow


def _old_meter(change_out: ChangeOut, flow: flows.Flow, world: World) -> Meter:
    """A turbine that misses low flow; a meter that suits where nothing else is to be gained."""
    need = need_of(flow, world.calendar)
    if change_out.follows_pilot:
        return _turbine(flow, need, world, OLD_REGISTRATION)
    suited = [
        m for m in meters_of_type(world.catalogue, "displacement")
        if need.is_met_by(m, room=ROOM_SHARE)
    ]  # fmt: skip
    return (suited or meters_of_type(world.catalogue, "compound"))[0]


def _turbine(flow: flows.Flow, need: Need, world: World, registration: float) -> Meter:
    """The turbine that carries the flow and registers nearest to this share of it."""
    turbines = [m for m in meters_of_type(world.catalogue, "turbine") if need.is_met_by(m)]
    actual, registered = registered_by_month(flow, world.calendar, tuple(turbines))
    off = np.abs(registered.sum(axis=0) / actual.sum() - registration)
    return turbines[int(np.argmin(off))]


def _new_service(
    change_out: ChangeOut,
    old: Service,
    promised: PromisedMeter | None,
    flow: flows.Flow,
    world: World,
) -> Service:
    """The meter put in: as the pilot recommended, the same again, or a poor choice."""
    meter = old.meter
    if change_out.outcome == "worse":
        need = need_of(flow, world.calendar)
        meter = _turbine(flow, need, world, POOR_REGISTRATION)
    elif promised is not None:
        meter = promised.of(world.catalogue)
    service = Service(
        change_out.new_meter_id, meter, step=1.0, unit_gal=1.0, from_s=old.to_s or 0
    )
    if change_out.outcome != "over_promise":
        return service
    gain = _true_gain(old, service, flow, world)
    return replace(service, lost_share=1 - (1 + BATCH_SHARE * gain) / (1 + gain))


def _true_gain(old: Service, new: Service, flow: flows.Flow, world: World) -> float:
    """Share by which the new meter registers more of the same flow."""
    _, registered = registered_by_month(flow, world.calendar, (old.meter, new.meter))
    was, now = registered.sum(axis=0) * (1 - np.array([old.lost_share, new.lost_share]))
    return float(now / was - 1)
