"""The decision written as plain loops over accounts, meters and draws: slow, easy to check.

Serves as an independent check of the vectorised decision and as its baseline of speed. It
knows money, fit and the choice; it leaves out rules of the site, which have tests of their own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from rightsize.contracts.profiles import ProfileBlock
from rightsize.contracts.sites import SiteBlock
from rightsize.inference.posterior import FlowPosterior
from rightsize.meters.catalogue import Catalogue, Meter
from rightsize.recommend.leak_persistence import LeakSettings, running_share, shared_quantiles
from rightsize.settings import Tariff, Thresholds


@dataclass(frozen=True)
class PlainMeter:
    """One meter at one account."""

    net_benefit_usd: float
    odds_of_benefit: float
    odds_of_fit: float
    low_usd: float
    high_usd: float
    worth_usd: float  # with the cost of being wrong
    is_worth_a_visit: bool
    design_share: float  # of SMOC that the mean peak takes
    cost_usd: float


@dataclass(frozen=True)
class PlainAccount:
    """One account."""

    meters: tuple[PlainMeter, ...]
    verdict: str
    chosen: int


def monthly_bill_usd(gal: float, tariff: Tariff, customer_class: str) -> float:
    """A month's volumetric bill, tier by tier."""
    rate = tariff.for_class(customer_class)
    bill, start = 0.0, 0.0
    for tier in rate.tiers:
        end = math.inf if tier.up_to_gal_per_month is None else tier.up_to_gal_per_month
        bill += max(0.0, min(gal, end) - start) * tier.usd_per_kgal / 1000
        start = end
    return bill + gal * rate.sewer_usd_per_kgal * rate.sewer_return_share / 1000


def level_usd(spent: float, new: Meter, tariff: Tariff) -> float:
    """Level yearly amount of money spent at once, over the meter's life."""
    rate, years = tariff.discount_rate_pct / 100, new.life_years
    return spent * rate / (1 - (1 + rate) ** -years) if rate else spent / years


def yearly_cost_usd(new: Meter, old: Meter, tariff: Tariff) -> float:
    """Level yearly cost of purchase and installation, upkeep, and charge lost."""
    level = level_usd(new.price_usd + new.install_usd, new, tariff)
    charges = tariff.fixed_charge_usd_per_month
    lost = max(0.0, charges[old.size_in] - charges[new.size_in]) * 12
    return level + new.upkeep_usd_per_year - old.upkeep_usd_per_year + lost


def running_level(
    share: list[float], years: float, tariff: Tariff, limits: Thresholds
) -> float:
    """Level share of a life in which flow runs, from its share after 0 to 36 months."""
    if not limits.count_leak_repair:
        return 1.0
    rate, level, worth = tariff.discount_rate_pct / 100, 0.0, 0.0
    for year in range(round(years)):
        discount = (1 + rate) ** -(year + 1)
        worth += discount
        for month in range(12 * year, 12 * year + 12):
            level += discount * (share[min(month, 36)] + share[min(month + 1, 36)]) / 24
    return level / worth


def yearly_loss(meter: Meter, gal: float, limits: Thresholds) -> float:
    """Share of its registration that a meter of middle wear loses in a year."""
    hours = gal / (60 * meter.continuous_gpm)
    points = limits.wear_pct_per_year[meter.meter_type]
    points += limits.wear_pct_per_1000_hours[meter.meter_type] * hours / 1000
    return min(points / 100, 0.5 / meter.life_years)


def worn_usd(
    j: int,
    a: int,
    m: int,
    posterior: FlowPosterior,
    old: Meter,
    new: Meter,
    tariff: Tariff,
    limits: Thresholds,
) -> float:
    """Level yearly worth of the old meter's wear over the new one's, at the last price."""
    if not limits.count_wear:
        return 0.0
    count, now = len(posterior.peak_10s_gpm), float(posterior.installed_gal_per_year[j, a])
    usual = float(posterior.installed_gal_per_year[:, a].mean())
    bill = [12 * monthly_bill_usd(part * now / 12, tariff, "office") for part in (0.95, 1)]
    price = (bill[1] - bill[0]) / (0.05 * now)
    rate, level, worth = tariff.discount_rate_pct / 100, 0.0, 0.0
    for year in range(round(new.life_years)):
        discount = (1 + rate) ** -(year + 1)
        worth += discount
        for meter, gal, sign in (
            (old, now, 1),
            (new, float(posterior.registered_gal_per_year[j, a, m]), -1),
        ):
            drawn = 2 * shared_quantiles(f"wear {meter.meter_type}", count)[j]
            loss = yearly_loss(meter, usual, limits) * drawn
            worn = year + 0.5
            if meter is old and sign > 0 and worn >= old.life_years / 2:
                worn -= old.life_years / 2  # replaced in kind after half a life: age not known
            level += sign * discount * price * gal * loss * worn
    return float(level / worth)


def _leaks(limits: Thresholds) -> LeakSettings:
    shares = [getattr(limits, f"leak_runs_after_{n}_months_share") for n in (3, 12, 36)]
    return LeakSettings(
        limits.count_leak_repair, tuple(shares), limits.leak_runs_spread_share, 0, 0, 0
    )


def tails(values: list[float]) -> tuple[float, float]:
    """The last values that leave at most 5 % of the draws below, and above."""
    low = [v for v in values if 20 * sum(x < v for x in values) < len(values)]
    high = [v for v in values if 20 * sum(x > v for x in values) < len(values)]
    return max(low), min(high)


def plain_account(
    a: int,
    block: ProfileBlock,
    posterior: FlowPosterior,
    sites: SiteBlock,
    catalogue: Catalogue,
    tariff: Tariff,
    limits: Thresholds,
) -> PlainAccount:
    """Account `a`, meter by meter, draw by draw."""
    installed = int(sites.meter_index[a])
    old, kind = catalogue.meters[installed], sites.customer_class[a]
    draws = range(len(posterior.peak_10s_gpm))
    over = 0
    shares = running_share(_leaks(limits), len(posterior.peak_10s_gpm)).tolist()
    for j in draws:
        if (
            posterior.peak_10s_gpm[j, a] > old.smoc_gpm
            or posterior.sustained_60min_gpm[j, a] > old.continuous_gpm
        ):
            over += 1
    meters = []
    flow = [float(posterior.actual_gal_per_year[j, a]) for j in draws]
    now_gal = [float(posterior.installed_gal_per_year[j, a]) for j in draws]
    mean_peak = sum(float(posterior.peak_10s_gpm[j, a]) for j in draws) / len(draws)
    for m, new in enumerate(catalogue.meters):
        net, benefit, fit, gains = 0.0, 0, 0, []
        then_gal = [float(posterior.registered_gal_per_year[j, a, m]) for j in draws]
        points = 100 * (sum(then_gal) - sum(now_gal)) / sum(flow)
        cost = 0.0 if m == installed else yearly_cost_usd(new, old, tariff)
        left = [running_level(s, new.life_years, tariff, limits) for s in shares]
        for j in draws:
            now = 12 * monthly_bill_usd(
                float(posterior.installed_gal_per_year[j, a]) / 12, tariff, kind
            )
            then = 12 * monthly_bill_usd(
                float(posterior.registered_gal_per_year[j, a, m]) / 12, tariff, kind
            )
            all_seen = 12 * monthly_bill_usd(
                float(
                    posterior.installed_gal_per_year[j, a] + posterior.unseen_gal_per_year[j, a]
                )
                / 12,
                tariff,
                kind,
            )
            steady = min(max(then - now, 0.0), all_seen - now)
            lost = steady * (1 - left[j])
            worn = worn_usd(j, a, m, posterior, old, new, tariff, limits)
            gain = 0.0 if m == installed else then - now - cost - lost + worn
            peak = float(posterior.peak_10s_gpm[j, a])
            loss = new.head_loss_psi_at_smoc * (peak / new.smoc_gpm) ** 2
            net += gain / len(draws)
            benefit += gain > 0
            fit += (
                peak <= new.smoc_gpm
                and posterior.sustained_60min_gpm[j, a] <= new.continuous_gpm
                and loss <= limits.spare_head_psi
            )
            gains.append(gain)
        low, high = tails(gains)
        spent = new.price_usd + new.install_usd
        fits = fit / len(draws)
        # net benefit, with the cost of the change itself left out
        cash = net + (level_usd(spent, new, tariff) if m != installed else 0.0)
        wrong = (1 - fits) * level_usd(spent + limits.wrong_size_cost_usd, new, tariff)
        meters.append(
            PlainMeter(
                net,
                benefit / len(draws),
                fits,
                min(low, net),
                max(high, net),
                (net * fits if net > 0 else net) - wrong,
                net > 0
                and net >= limits.min_net_benefit_usd_per_year
                and points >= limits.min_gain_points
                and 0 < spent <= limits.max_payback_years * cash,
                mean_peak / new.smoc_gpm,
                spent,
            )
        )
    return _chosen(meters, over / len(draws), installed, catalogue, limits)


def _chosen(
    meters: list[PlainMeter],
    over: float,
    installed: int,
    catalogue: Catalogue,
    limits: Thresholds,
) -> PlainAccount:
    old = catalogue.meters[installed]
    undersized = over >= limits.odds_of_undersized
    surely = limits.odds_of_fit
    if not undersized:
        surely = max(0.5, min(surely, meters[installed].odds_of_fit))
    fit = [
        m
        for m, new in enumerate(catalogue.meters)
        if m != installed
        and meters[m].odds_of_fit >= surely
        and (
            meters[m].design_share <= limits.design_peak_share
            or (not undersized and new.smoc_gpm >= old.smoc_gpm)
        )
        and (undersized or not _is_needless(new, old))
    ]
    pays = [
        m
        for m in fit
        if meters[m].is_worth_a_visit
        and meters[m].odds_of_benefit >= _asked(meters[m], limits) - limits.odds_slack
    ]
    proven = [m for m in pays if meters[m].odds_of_benefit >= _asked(meters[m], limits)]
    may_be = fit if undersized else (pays if proven else [])
    best = _which(may_be, meters, limits) if may_be else installed
    new = catalogue.meters[best]
    smaller = any(
        catalogue.meters[m].meter_type == old.meter_type
        and catalogue.meters[m].size_in < old.size_in
        for m in proven
    )
    if undersized:
        verdict = "undersized"
    elif smaller and new.size_in < old.size_in:
        verdict = "oversized"
    else:
        verdict = "wrong_type" if best != installed else "fits"
    return PlainAccount(tuple(meters), verdict, best)


def _asked(meter: PlainMeter, limits: Thresholds) -> float:
    """Odds that a change must reach."""
    if meter.cost_usd >= limits.costly_change_usd:
        return max(limits.odds_of_benefit, limits.odds_of_costly_benefit)
    return limits.odds_of_benefit


def _is_needless(new: Meter, old: Meter) -> bool:
    """A larger meter of more capacity, or one of the same type and size."""
    if new.meter_type == old.meter_type and new.size_in >= old.size_in:
        return True
    return new.size_in > old.size_in and new.smoc_gpm > old.smoc_gpm


def _which(may_be: list[int], meters: list[PlainMeter], limits: Thresholds) -> int:
    """The cheapest of those close to the best that fit as surely."""
    best = max(may_be, key=lambda m: meters[m].worth_usd)
    band = limits.tie_band_share * abs(meters[best].worth_usd)
    near = [
        m
        for m in may_be
        if meters[m].worth_usd >= meters[best].worth_usd - band
        and meters[m].odds_of_fit >= meters[best].odds_of_fit
    ]
    return min(near, key=lambda m: (meters[m].cost_usd, -meters[m].worth_usd))
