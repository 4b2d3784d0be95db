"""What really flowed and what would have been best: known to the demo, read only by tests."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipelines.demo.calendar import Calendar
from pipelines.demo.flows import Flow
from pipelines.demo.installed import Need
from rightsize.meters.catalogue import Catalogue, Meter
from rightsize.meters.registration import registration_matrix
from rightsize.settings import ClassRate, Tariff

Array = NDArray[np.float64]

PEAK_EXCEEDED_SHARE: Final = 1e-5  # 0.001 % of the time
SUSTAINED_EXCEEDED_SHARE: Final = 0.005
PEAK_WINDOW_S: Final = 10
BINS_PER_DECADE: Final = 400
FIRST_BIN_GPM: Final = 1e-3
BIN_COUNT: Final = 3000
SPARE_HEAD_PSI: Final = 20.0
DAYS_PER_YEAR: Final = 365.25


def need_of(flow: Flow, calendar: Calendar) -> Need:
    """True peak and sustained flow over the span."""
    border = 3600 * np.arange(calendar.hour_count + 1)
    hourly_gpm = np.diff(flow.gal_at(border)) / 60
    sustained = np.quantile(hourly_gpm, 1 - SUSTAINED_EXCEEDED_SHARE, method="higher")
    return Need(peak_10s(flow, calendar.span_s), float(sustained))


def peak_10s(flow: Flow, span_s: int) -> float:
    """The 10 s mean flow that is exceeded 0.001 % of the time [gpm].

    Only windows that touch the highest pieces of the flow are looked at; more are taken in
    until none left out could matter.
    """
    rank = max(int(PEAK_EXCEEDED_SHARE * span_s) // PEAK_WINDOW_S, 1)
    looked_at = 40 * rank
    while looked_at < len(flow.gpm):
        floor_gpm = np.partition(flow.gpm, -looked_at)[-looked_at]
        peak = _ranked(*_windows(flow, np.flatnonzero(flow.gpm >= floor_gpm)), rank)
        if peak is not None and peak >= floor_gpm:
            return peak
        looked_at *= 8
    return _ranked(*_windows(flow, np.arange(len(flow.gpm))), rank) or 0.0


def _windows(flow: Flow, pieces: NDArray[np.int64]) -> tuple[Array, Array]:
    """Mean flow of the 10 s windows that the pieces touch [gpm], and how many have it."""
    first = flow.edge_s[pieces] // PEAK_WINDOW_S
    last = (flow.edge_s[pieces + 1] - 1) // PEAK_WINDOW_S
    at_an_end = np.unique(np.concatenate([first, last]))
    border = PEAK_WINDOW_S * at_an_end
    mean = (flow.gal_at(border + PEAK_WINDOW_S) - flow.gal_at(border)) * 60 / PEAK_WINDOW_S
    inside = np.maximum(last - first - 1, 0)  # windows that lie wholly within their piece
    return np.concatenate([mean, flow.gpm[pieces]]), np.append(np.ones(len(mean)), inside)


def _ranked(gpm: Array, count: Array, rank: int) -> float | None:
    """The flow of the window that is `rank`-th from the top."""
    order = np.argsort(-gpm, kind="stable")
    place = int(np.searchsorted(np.cumsum(count[order]), rank))
    return float(gpm[order[place]]) if place < len(order) else None


def registered_by_month(
    flow: Flow, calendar: Calendar, meters: tuple[Meter, ...]
) -> tuple[Array, Array]:
    """Actual volume [months] and what each meter would register [months, meters], in gal.

    Notes
    -----
    Flow is sorted into bins 0.6 % wide, each represented by its own mean flow.
    """
    seconds = flow.seconds.astype(float)
    months = int(calendar.month[-1]) + 1
    month = np.searchsorted(calendar.month_start_s, flow.edge_s[:-1], side="right") - 1
    safe = np.maximum(flow.gpm, FIRST_BIN_GPM)
    band = (np.log10(safe / FIRST_BIN_GPM) * BINS_PER_DECADE).astype(np.int64)
    place = month * BIN_COUNT + np.minimum(band, BIN_COUNT - 1)
    gal = np.bincount(place, flow.gpm * seconds / 60, months * BIN_COUNT).reshape(months, -1)
    time_s = np.bincount(place, seconds, months * BIN_COUNT).reshape(months, -1)
    mean_gpm = 60 * gal.sum(axis=0) / np.maximum(time_s.sum(axis=0), 1e-9)
    return gal.sum(axis=1), gal @ registration_matrix(meters, mean_gpm).T


def water_and_sewer_usd(gal_by_month: Array, rate: ClassRate) -> Array:
    """What the volumetric rates bill for monthly volumes [months, ...], summed over months."""
    usd = np.zeros_like(gal_by_month)
    below = 0.0
    for tier in rate.tiers:
        top = np.inf if tier.up_to_gal_per_month is None else tier.up_to_gal_per_month
        usd += np.clip(gal_by_month - below, 0, top - below) * tier.usd_per_kgal / 1000
        below = top
    usd += gal_by_month * rate.sewer_return_share * rate.sewer_usd_per_kgal / 1000
    return usd.sum(axis=0)


def yearly_cost_usd(meter: Meter, discount_rate_pct: float) -> float:
    """Price and installation spread over the meter's life as an annuity [USD/year]."""
    rate = discount_rate_pct / 100
    share = rate / (1 - (1 + rate) ** -meter.life_years) if rate else 1 / meter.life_years
    return share * (meter.price_usd + meter.install_usd)


@dataclass(frozen=True)
class Truth:
    """What is true of one account; arrays run over the catalogue's meters."""

    need: Need
    actual_gal_per_year: float
    registered_gal_per_year: Array
    net_benefit_usd_per_year: Array
    is_feasible: NDArray[np.bool_]
    best: int
    verdict: str


def truth_of(
    flow: Flow, need: Need, calendar: Calendar, catalogue: Catalogue, tariff: Tariff, *,
    installed: Meter, customer_class: str, spare_head_psi: float | None, is_assessable: bool,
) -> Truth:  # fmt: skip
    """Everything a perfect analyst would know."""
    meters = catalogue.meters
    per_year = DAYS_PER_YEAR * 86_400 / calendar.span_s
    actual, registered = registered_by_month(flow, calendar, meters)
    usd = per_year * water_and_sewer_usd(registered, tariff.for_class(customer_class))
    now = meters.index(installed)
    fixed = 12 * np.array(
        [tariff.fixed_charge_usd_per_month.get(m.size_in, 0.0) for m in meters]
    )
    cost = np.array([yearly_cost_usd(m, tariff.discount_rate_pct) for m in meters])
    upkeep = np.array([m.upkeep_usd_per_year for m in meters])
    lost_charge = np.minimum(
        fixed - fixed[now], 0.0
    )  # a larger base charge is no gain in accuracy
    net = (usd - usd[now]) + lost_charge - cost - (upkeep - upkeep[now])
    net[now] = 0.0
    spare = SPARE_HEAD_PSI if spare_head_psi is None else spare_head_psi
    feasible = np.array([_carries(m, need, spare) for m in meters])
    best, verdict = _judged(meters, now, net, feasible, need, is_assessable)
    return Truth(
        need,
        float(per_year * actual.sum()),
        per_year * registered.sum(axis=0),
        net,
        feasible,
        best,
        verdict,
    )


def _carries(meter: Meter, need: Need, spare_head_psi: float) -> bool:
    loss_psi = meter.head_loss_psi_at_smoc * (need.peak_10s_gpm / meter.smoc_gpm) ** 2
    return (
        meter.meter_type != "fire_service"
        and need.is_met_by(meter)
        and loss_psi <= spare_head_psi
    )


def _judged(
    meters: tuple[Meter, ...], now: int, net: Array, feasible: NDArray[np.bool_], need: Need,
    is_assessable: bool,
) -> tuple[int, str]:  # fmt: skip
    if not is_assessable:
        return now, "not_assessed"
    is_undersized = not need.is_met_by(meters[now])
    worth = np.where(feasible, net, -np.inf)
    if not is_undersized:
        worth[now] = 0.0
    best = int(np.argmax(worth))
    if is_undersized:
        return (best if np.isfinite(worth[best]) else now), "undersized"
    if best == now or worth[best] <= 0:
        return now, "fits"
    if meters[best].meter_type != meters[now].meter_type:
        return best, "wrong_type"
    return best, "oversized" if meters[best].size_in < meters[now].size_in else "fits"
