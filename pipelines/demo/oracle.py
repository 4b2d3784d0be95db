"""The decision with the true flow known, as the reference for tests of the sweep.

Written apart from the decision it judges: only the registration curve and the settings are
shared with it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipelines.demo.calendar import Calendar
from pipelines.demo.flows import Flow
from pipelines.demo.installed import Need
from pipelines.demo.site_place import Place, site_usd
from pipelines.demo.truth import registered_by_month, steady_flow
from rightsize.meters.catalogue import Catalogue, Meter
from rightsize.settings import ClassRate, Tariff, Thresholds

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

SPARE_HEAD_PSI: Final = 20.0  # where meters.csv does not say
DAYS_PER_YEAR: Final = 365.25


@dataclass(frozen=True)
class SiteLimits:
    """What the site allows, where meters.csv says so."""

    spare_head_psi: float | None = None
    service_line_in: float | None = None
    place: Place | None = None  # as it is, on record or not; None: work there costs nothing


@dataclass(frozen=True)
class Case:
    """What is known of a site before its flow is looked at."""

    installed: Meter
    rate_class: str
    limits: SiteLimits
    allowed_types: tuple[str, ...] | None
    is_assessable: bool


@dataclass(frozen=True)
class Truth:
    """What is true of one account; arrays run over `meters`."""

    meters: tuple[Meter, ...]  # the catalog's, and the installed one if it is no part of it
    installed: int
    best: int
    verdict: str
    need: Need
    actual_gal_per_year: float
    registered_gal_per_year: Array
    net_benefit_usd_per_year: Array
    is_feasible: Flags


def truth_of(
    case: Case,
    flow: Flow,
    need: Need,
    calendar: Calendar,
    catalogue: Catalogue,
    tariff: Tariff,
    limits: Thresholds,
) -> Truth:
    """Everything a perfect analyst would know of an account."""
    is_outside = case.installed not in catalogue.meters
    meters = (*catalogue.meters, case.installed) if is_outside else catalogue.meters
    now = meters.index(case.installed)
    per_year = DAYS_PER_YEAR * 86_400 / calendar.span_s
    actual, registered = registered_by_month(flow, calendar, meters)
    rate = tariff.for_class(case.rate_class)
    billed = per_year * water_and_sewer_usd(registered, rate)
    hidden = steady_flow(flow, below_gpm=case.installed.starting_gpm)
    _, steady = registered_by_month(hidden, calendar, meters)
    leak = billed - per_year * water_and_sewer_usd(registered - steady, rate)
    net = net_benefit_usd(meters, now, billed, tariff)
    net += repair_usd(meters, leak, per_year * steady.sum(axis=0), tariff, limits)
    if limits.count_wear:
        net += per_year * wear_usd(meters, now, registered, rate, tariff, limits)
    if case.limits.place is not None:
        work = site_usd(meters, now, case.limits.place, limits)
        net -= work / annuity_factor(meters, tariff.discount_rate_pct)
    net[now] = 0.0
    feasible = np.array([_is_allowed(m, case) and carries(m, need, case) for m in meters])
    best, verdict = judged(meters, now, net, feasible, need)
    if not case.is_assessable:
        best, verdict = now, "not_assessed"
    return Truth(
        meters,
        now,
        best,
        verdict,
        need,
        float(per_year * actual.sum()),
        per_year * registered.sum(axis=0),
        net,
        feasible,
    )


def water_and_sewer_usd(gal_by_month: Array, rate: ClassRate) -> Array:
    """What the volumetric rates bill for monthly volumes [months, ...], summed over months."""
    usd = gal_by_month * rate.sewer_return_share * rate.sewer_usd_per_kgal / 1000
    below = 0.0
    for tier in rate.tiers:
        top = np.inf if tier.up_to_gal_per_month is None else tier.up_to_gal_per_month
        usd += np.clip(gal_by_month - below, 0, top - below) * tier.usd_per_kgal / 1000
        below = top
    total: Array = usd.sum(axis=0)
    return total


def yearly_cost_usd(meter: Meter, discount_rate_pct: float) -> float:
    """Price and installation spread over the meter's life as an annuity [USD/year]."""
    paid = meter.price_usd + meter.register_usd + meter.install_usd
    return paid / float(annuity_factor((meter,), discount_rate_pct)[0])


def annuity_factor(meters: tuple[Meter, ...], discount_rate_pct: float) -> Array:
    """Present value of 1 USD a year over the life of each meter [M]."""
    life = np.array([m.life_years for m in meters], dtype=np.float64)
    rate = discount_rate_pct / 100
    return (1 - (1 + rate) ** -life) / rate if rate else life


def yearly_upkeep_usd(meter: Meter, discount_rate_pct: float) -> float:
    """O&M, failures on and off warranty, and electronics, by years of the meter's life."""
    paid, worth = 0.0, 0.0
    for year in range(1, round(meter.life_years) + 1):
        discount = (1 + discount_rate_pct / 100) ** -year
        worth += discount
        body = 0.0 if year <= meter.warranty_years else meter.purchase_usd
        paid += discount * meter.failure_pct_per_year / 100 * (meter.install_usd + body)
        is_due = meter.electronics_years > 0 and year % meter.electronics_years == 0
        if is_due and year < meter.life_years:
            paid += discount * meter.electronics_usd
    return meter.upkeep_usd_per_year + paid / worth


def net_benefit_usd(
    meters: tuple[Meter, ...], now: int, billed: Array, tariff: Tariff
) -> Array:
    """Yearly net benefit of putting each meter in place of meter `now`; 0 for keeping it.

    A smaller meter's lower base charge counts; a larger meter's higher one does not: it would
    pay to oversize.
    """
    charge = np.array(
        [12 * tariff.fixed_charge_usd_per_month.get(m.size_in, 0.0) for m in meters]
    )
    cost = np.array([yearly_cost_usd(m, tariff.discount_rate_pct) for m in meters])
    upkeep = np.array([yearly_upkeep_usd(m, tariff.discount_rate_pct) for m in meters])
    lost_charge = np.minimum(charge - charge[now], 0.0)
    lost_charge *= np.array([_charge_share(m.life_years, tariff) for m in meters])
    net: Array = (billed - billed[now]) + lost_charge - cost - (upkeep - upkeep[now])
    net[now] = 0.0
    return net


def _charge_share(life_years: float, tariff: Tariff) -> float:
    """Share of a life, as present value, in which a lost base charge counts."""
    policy, until = tariff.count_base_charge_loss, tariff.years_to_rate_case
    years = {"full": life_years, "none": 0.0, "until_rate_case": min(until, life_years)}[policy]
    rate = tariff.discount_rate_pct / 100
    if not rate:
        return years / life_years
    return float((1 - (1 + rate) ** -years) / (1 - (1 + rate) ** -life_years))


def repair_usd(
    meters: tuple[Meter, ...], bill_usd: Array, gal: Array, tariff: Tariff, limits: Thresholds
) -> Array:
    """What the repair of leaks that each meter shows changes, level over its life [M].

    By months and years, with the share that is set to run; `bill_usd` and `gal` are a year of
    the leak.
    """
    changed = np.zeros(len(meters))
    if not limits.count_leak_repair:
        return changed
    for k, meter in enumerate(meters):
        left, credit, worth = _leak_left(round(meter.life_years), _Leak.of(tariff, limits))
        saved = tariff.avoided_water_usd_per_kgal * gal[k] / 1000
        changed[k] = (saved - bill_usd[k]) * (1 - left / worth) - bill_usd[k] * credit / worth
    return changed


class _Leak(NamedTuple):
    """What the settings say of a leak that a new meter shows."""

    after_3_months_share: float
    after_12_months_share: float
    after_36_months_share: float
    discount_rate_pct: float
    adjustment_months: float
    adjustment_share: float

    @classmethod
    def of(cls, tariff: Tariff, limits: Thresholds) -> _Leak:
        return cls(
            limits.leak_runs_after_3_months_share,
            limits.leak_runs_after_12_months_share,
            limits.leak_runs_after_36_months_share,
            tariff.discount_rate_pct,
            tariff.leak_adjustment_months,
            tariff.leak_adjustment_share,
        )


@cache
def _leak_left(years: int, leak: _Leak) -> tuple[float, float, float]:
    """Over a meter's life as present value, in years: leak that runs, credit, and all of it."""
    runs = (1.0, *leak[:3])
    at_month = [float(np.interp(t, (0, 3, 12, 36), runs)) for t in range(37)]
    left, credit, worth = 0.0, 0.0, 0.0
    for year in range(years):
        discount = (1 + leak.discount_rate_pct / 100) ** -(year + 1)
        worth += discount
        for month in range(12 * year, 12 * year + 12):
            now, then = at_month[min(month, 36)], at_month[min(month + 1, 36)]
            left += discount * (now + then) / 2 / 12
            billed = min((month + 0.5) / 12, leak.adjustment_months / 12)
            credit += discount * (now - then) * billed * leak.adjustment_share
    return left, credit, worth


def wear_usd(
    meters: tuple[Meter, ...],
    now: int,
    registered: Array,
    rate: ClassRate,
    tariff: Tariff,
    limits: Thresholds,
) -> Array:
    """What the wear of the installed meter costs more than that of each other one [M].

    Level over the other's life, for the months of `registered` [months, M]: each year is billed
    with what its meters have lost by its middle. The installed one is replaced in kind after
    half a life.
    """
    year_gal = float(registered[:, now].sum()) * 12 / len(registered)
    billed = water_and_sewer_usd(registered, rate)
    gained = np.zeros(len(meters))
    for k, meter in enumerate(meters):
        worth = 0.0
        for year in range(round(meter.life_years)):
            discount = (1 + tariff.discount_rate_pct / 100) ** -(year + 1)
            worth += discount
            for at, sign in ((now, 1), (k, -1)):
                worn = year + 0.5
                if sign > 0 and worn >= meters[now].life_years / 2:
                    worn -= meters[now].life_years / 2
                left = 1 - yearly_loss(meters[at], year_gal, limits) * worn
                lost = billed[at] - water_and_sewer_usd(registered[:, at] * left, rate)
                gained[k] += sign * discount * lost
        gained[k] /= worth
    return gained


def yearly_loss(meter: Meter, gal_per_year: float, limits: Thresholds) -> float:
    """Share of its registration that a meter loses in a year."""
    hours = gal_per_year / (60 * meter.continuous_gpm)
    pct = limits.wear_pct_per_year[meter.meter_type]
    pct += limits.wear_pct_per_1000_hours[meter.meter_type] * hours / 1000
    return min(pct / 100, 0.5 / meter.life_years)


def carries(meter: Meter, need: Need, case: Case) -> bool:
    """Whether peak, sustained flow and head loss leave the meter in its range."""
    loss_psi = meter.head_loss_psi_at_smoc * (need.peak_10s_gpm / meter.smoc_gpm) ** 2
    spare_psi = case.limits.spare_head_psi or SPARE_HEAD_PSI
    return need.is_met_by(meter) and loss_psi <= spare_psi


def _is_allowed(meter: Meter, case: Case) -> bool:
    if meter == case.installed:
        return True
    is_listed = case.allowed_types is None or meter.meter_type in case.allowed_types
    has_room = meter.size_in <= (case.limits.service_line_in or np.inf)
    return is_listed and has_room and meter.meter_type != "fire_service"


def judged(
    meters: tuple[Meter, ...], now: int, net: Array, feasible: Flags, need: Need
) -> tuple[int, str]:
    """Best meter and verdict."""
    is_undersized = not need.is_met_by(meters[now])
    worth = np.where(feasible & ~_is_needless(meters, now, is_undersized), net, -np.inf)
    if not is_undersized:
        worth[now] = 0.0
    best = int(np.argmax(worth))
    if is_undersized:
        return (best if np.isfinite(worth[best]) else now), "undersized"
    if best == now or worth[best] <= 0:
        return now, "fits"
    same_type = meters[best].meter_type == meters[now].meter_type
    is_smaller = meters[best].size_in < meters[now].size_in
    return best, "oversized" if same_type and is_smaller else "wrong_type"


def _is_needless(meters: tuple[Meter, ...], now: int, is_undersized: bool) -> Flags:
    """A larger meter of the same type is not allowed if the installed one handles the flow."""
    if is_undersized:
        return np.zeros(len(meters), dtype=bool)
    installed = meters[now]
    return np.array(
        [m.meter_type == installed.meter_type and m.size_in > installed.size_in for m in meters]
    )
