"""One account from plan to rows: site, flow, meters, reads, truth. Runs in worker processes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from pipelines.demo import flows, head_end
from pipelines.demo.calendar import Calendar
from pipelines.demo.draws import Site
from pipelines.demo.fleet import Plan
from pipelines.demo.head_end import Ints, Rows, Service
from pipelines.demo.installed import Need, installed_meter
from pipelines.demo.oracle import Case, SiteLimits, Truth, truth_of
from pipelines.demo.services import DIAL_DIGITS, STEP_MIN, Planted, services_of
from pipelines.demo.site_place import place_of
from pipelines.demo.sites import SITES, fire
from pipelines.demo.truth import need_of
from rightsize.meters.catalogue import Catalogue, Meter
from rightsize.settings import Tariff, Thresholds

DAY_S: Final = 86_400
LINE_SIZES_IN: Final = (0.75, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0, 12.0, 16.0)


@dataclass(frozen=True)
class World:
    """What all accounts share."""

    calendar: Calendar
    catalogue: Catalogue
    tariff: Tariff
    thresholds: Thresholds
    seed: int
    correction_month: int
    suffix: str = ""  # of export files: empty, or .gz


@dataclass(frozen=True)
class MeterRows:
    """One meter's service and the rows written for it."""

    service: Service
    rows: Rows

    @property
    def dial_turn(self) -> int:
        """Steps of one full turn of the dial."""
        return round(10**DIAL_DIGITS / self.service.step)


@dataclass(frozen=True)
class Served:
    """An account and the meters that served it, the one in service last."""

    plan: Plan
    limits: SiteLimits
    meters: tuple[MeterRows, ...]


@dataclass(frozen=True)
class Account(Served):
    """All the demo writes of one account of the fleet."""

    what: str
    planted: tuple[Planted, ...]
    truth: Truth


@dataclass(frozen=True)
class Drawn:
    """An account's water and its meter, before anything is read; `rng` goes on from there."""

    site: Site
    meter: Meter
    flow: flows.Flow
    need: Need
    planted: tuple[Planted, ...]
    rng: np.random.Generator


def drawn_by(plan: Plan, world: World) -> Drawn:
    """The actual flow of one account, with its leak if one is planted."""
    seeds = np.random.SeedSequence([world.seed, 1, plan.index]).spawn(3)
    site_rng, flow_rng, meter_rng = (np.random.default_rng(s) for s in seeds)
    site = _site(plan, site_rng)
    parts = flows.flow_of(site, world.calendar, flow_rng)
    need = need_of(parts, world.calendar)
    meter = installed_meter(plan, need, world.catalogue, meter_rng)
    flow, planted = _with_leak(plan, parts, meter, world.calendar, meter_rng)
    need = need_of(flow, world.calendar) if planted else need
    return Drawn(site, meter, flow, need, planted, meter_rng)


def account_of(plan: Plan, world: World) -> Account:
    """Simulate one account; the same whatever process does it, and in which order."""
    drawn = drawn_by(plan, world)
    meter, flow, need, meter_rng = drawn.meter, drawn.flow, drawn.need, drawn.rng
    services, more = services_of(plan, meter, world.calendar, meter_rng)
    rows = tuple(MeterRows(s, meter_rows(plan, flow, s, world, meter_rng)) for s in services)
    limits = _limits(plan, meter, world, meter_rng)
    is_assessable = _is_assessable(plan) and need.peak_10s_gpm > 0
    case = Case(meter, _rate_class(plan), limits, world.thresholds.allowed_types, is_assessable)
    truth = truth_of(
        case, flow, need, world.calendar, world.catalogue, world.tariff, world.thresholds
    )
    return Account(plan, limits, rows, drawn.site.what, drawn.planted + more, truth)


def _limits(plan: Plan, meter: Meter, world: World, rng: np.random.Generator) -> SiteLimits:
    """The place, and what the utility knows of it: at some the spare head, at some the line."""
    spare_psi = float(round(rng.uniform(14, 45))) if rng.random() < 0.4 else None
    larger = [size for size in LINE_SIZES_IN if size > meter.size_in]
    line_in = larger[min(int(rng.integers(2)), len(larger) - 1)]
    place = place_of(
        np.random.default_rng([world.seed, 3, plan.index]),
        line_in=line_in,
        in_street=False if plan.has_site_facts else None,
        odds=world.thresholds.unknown_site_odds,
    )
    return SiteLimits(spare_psi, line_in if rng.random() < 0.5 else None, place)


def _rate_class(plan: Plan) -> str:
    if plan.service_kind == "irrigation":
        return "irrigation"
    return "unknown" if plan.trouble == "unmapped" else plan.customer_class


def _is_assessable(plan: Plan) -> bool:
    return plan.kind not in ("fire", "combined") and plan.trouble not in (
        "new",
        "unlisted",
        "silent",
    )


def _site(plan: Plan, rng: np.random.Generator) -> Site:
    if plan.kind == "fire":
        return fire(rng)
    site = SITES[plan.customer_class](rng)
    return site.in_season("summer_only") if plan.trouble == "seasonal" else site


def _with_leak(
    plan: Plan, flow: flows.Flow, meter: Meter, calendar: Calendar, rng: np.random.Generator
) -> tuple[flows.Flow, tuple[Planted, ...]]:
    if plan.trouble == "leak":
        start_s = DAY_S * int(rng.integers(1, max(2, calendar.span_s // DAY_S // 2)))
        gpm = float(max(2.5 * meter.starting_gpm, rng.uniform(0.3, 2.5)))
        planted = Planted("possible_leak", start_s, gpm)
    elif plan.trouble == "hidden_leak":
        planted = Planted("unseen_flow", 0, float(meter.starting_gpm * rng.uniform(0.35, 0.9)))
    else:
        return flow, ()
    leak = flows.leak(planted.flow_gpm, planted.from_s, calendar.span_s)
    return flows.added_up([flows.pulses_of(flow), leak], calendar), (planted,)


def meter_rows(
    plan: Plan, flow: flows.Flow, service: Service, world: World, rng: np.random.Generator
) -> Rows:
    """What the exports hold of a meter: register steps, gaps, estimates, repeats."""
    step_min = STEP_MIN[plan.channel]
    dial = head_end.readings(flow, service, world.calendar, step_min)
    if plan.channel == "walk_by":
        return _register_rows(dial, service, world, rng)
    rows = head_end.clean_rows(dial, service, world.calendar, step_min)
    if plan.trouble == "silent":
        return rows.where(np.zeros(len(rows.steps), dtype=bool))
    by_hour = 60 // step_min
    estimated = 0.25 if plan.trouble == "estimates" else 0.006
    rows = head_end.with_estimates(rows, rng, share=estimated, longest=30 * by_hour)
    if rng.random() < 0.08 and plan.channel == "fixed":
        rows = head_end.with_correction(rows, world.correction_month, rng)
    rows = head_end.with_gaps(rows, rng, share=0.004, longest=6 * by_hour)
    if plan.trouble == "outage":
        rows = head_end.with_gaps(rows, rng, share=0.06, longest=600 * by_hour)
    return rows.plus(head_end.repeated(rows, rng)) if rng.random() < 0.06 else rows


def _register_rows(
    dial: Ints, service: Service, world: World, rng: np.random.Generator
) -> Rows:
    """A reading at the start of the service and at the end of each hour; dials roll over."""
    first = -(-service.from_s // 3600)
    last = (world.calendar.span_s if service.to_s is None else service.to_s) // 3600
    at = np.arange(first, last + 1)
    turn = round(10**DIAL_DIGITS / service.step)
    month = world.calendar.month[np.maximum(at - 1, 0)]
    rows = Rows(at - 1, dial[first : last + 1] % turn, np.zeros(len(at), np.uint8), month)
    return head_end.with_gaps(rows, rng, share=0.01, longest=5)
