"""The figures at the top of a site page, and since when the meter is in service."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any, Final

from rightsize.evidence.quantity import ABSENT, Units, decimal, odds, pct
from rightsize.evidence.site import SiteEvidence

DAYS_PER_YEAR: Final = 365.25
YOUNG_YEARS: Final = 3
COST: Final = "cost of the change"
"""An age below this is shown with one decimal."""


@dataclass(frozen=True)
class Figure:
    """One headline figure: what it is, its value, its range or basis, and what it means."""

    name: str
    value: str
    range: str
    note: str


def in_service_since(site: SiteEvidence) -> str:
    """Installation date of the meter and its age at the last read; '' if not known."""
    since = site.listed.get("installed_on")
    if not isinstance(since, dt.date):
        return ""
    last = (site.profile or {}).get("last_read_on") or site.provenance.made_at.date()
    years = (last - since).days / DAYS_PER_YEAR
    age = f"{decimal(years, 0)} years" if years >= YOUNG_YEARS else f"{decimal(years, 1)} years"
    return f"installed {since.isoformat()} ({age})" if years >= 0 else ""


@dataclass(frozen=True)
class Term:
    """One term of a sum in dollars, or the total."""

    name: str
    value: str
    is_total: bool = False


def net_sum(site: SiteEvidence) -> tuple[Term, ...]:
    """Terms of the net benefit of a change, in whole dollars that add up as shown."""
    row = site.recommendation
    cost_usd = row.get("annual_cost_usd_per_year")
    if not (site.is_assessed and site.is_change) or cost_usd is None:
        return ()
    usd = Units(site.units).usd
    charge_usd = row["fixed_charge_change_usd_per_year"]
    net = round(row["net_benefit_usd_per_year"])
    gain = round(row["revenue_gain_usd_per_year"])
    renewal = round(row.get("renewal_gain_usd_per_year") or 0.0)
    lost = round(row.get("base_charge_loss_usd_per_year", min(charge_usd, 0.0)))
    repair = round(row.get("leak_repair_usd_per_year") or 0.0)
    wear = round(row.get("wear_gain_usd_per_year") or 0.0)
    # within three dollars of the cost: the rounding
    cost = gain + repair + wear - renewal + lost - net
    terms = [Term("per year: revenue gain", usd(gain))]
    if renewal:
        terms.append(Term("minus the gain of like-for-like replacement", usd(-renewal)))
    if repair:
        terms.append(Term("leaks repaired over the years", usd(repair)))
    if wear:
        terms.append(Term("wear, old meter less new", usd(wear)))
    if lost:
        terms.append(Term("base charge", usd(lost)))
    terms += [
        Term("O&M saved, less the cost of the change" if cost < 0 else COST, usd(-cost)),
        Term("net benefit", usd(net), is_total=True),
    ]
    if charge_usd >= 1:
        terms.append(Term("(base charge gained, not counted:", f"{usd(charge_usd)})"))
    return tuple(terms)


def figures(site: SiteEvidence) -> tuple[Figure, ...]:
    """Gain, volume, money and probability of a change; the peak where there is none."""
    if not site.is_assessed:
        return ()
    row = site.recommendation
    if not site.is_change:
        first = _head_loss if row["verdict"] == "undersized" else _accuracy_now
        return (first(site), _peak(site), _actual(site), _overload(row))
    if row["verdict"] == "undersized":
        return (_peak(site), _overload(row), _head_loss(site), _fit(site))
    return (_accuracy(row), _volume(site), _money(site), _odds(row))


def _accuracy(row: Any) -> Figure:
    low, high = row["accuracy_gain_low_pct"], row["accuracy_gain_high_pct"]
    return Figure(
        "accuracy gain",
        f"{_plus(row['accuracy_gain_pct'], 1)} points",
        f"{decimal(low, 1)} to {decimal(high, 1)}",
        f"from {pct(row['installed_accuracy_pct'])} to {pct(row['recommended_accuracy_pct'])}"
        " weighted accuracy",
    )


def _plus(value: float, places: int) -> str:
    return ("+" if value > 0 else "") + decimal(value, places)


def _volume(site: SiteEvidence) -> Figure:
    row, units = site.recommendation, Units(site.units)
    return Figure(
        "volume gain per year",
        units.volume(row["volume_gain_gal_per_year"]),
        units.volume_range(
            row["volume_gain_low_gal_per_year"], row["volume_gain_high_gal_per_year"]
        ),
        f"revenue {units.usd(row['revenue_gain_usd_per_year'])}"
        f" ({_money_range(site, 'revenue_gain')})",
    )


def _money_range(site: SiteEvidence, stem: str) -> str:
    low, high = (site.recommendation[f"{stem}_{end}_usd_per_year"] for end in ("low", "high"))
    return Units(site.units).usd_range(low, high)


def _money(site: SiteEvidence) -> Figure:
    row, units = site.recommendation, Units(site.units)
    back = row.get("payback_years")
    years = f"; payback {decimal(back, 1)} years" if back is not None else ""
    return Figure(
        "net benefit per year",
        units.usd(row["net_benefit_usd_per_year"]),
        _money_range(site, "net_benefit"),
        f"after all costs; change-out cost {units.usd(row['change_cost_usd'])}{years}",
    )


def _odds(row: Any) -> Figure:
    return Figure(
        "probability of positive net benefit",
        odds(row["odds_of_benefit"]),
        "",
        f"handles peak flow, sustained flow and head loss: {odds(row['odds_of_fit'])}",
    )


def _accuracy_now(site: SiteEvidence) -> Figure:
    row = site.recommendation
    here = next((c for c in site.candidates if c["is_installed"]), None)
    ends = (
        f"{decimal(here['accuracy_low_pct'], 1)} to {decimal(here['accuracy_high_pct'], 1)}"
        if here and here["accuracy_low_pct"] is not None
        else ""
    )
    return Figure(
        "weighted accuracy now", pct(row["installed_accuracy_pct"]), ends, "of actual volume"
    )


def _peak(site: SiteEvidence) -> Figure:
    row, units = site.recommendation, Units(site.units)
    return Figure(
        "peak flow, 10 s",
        units.flow(row["peak_10s_gpm"]),
        units.flow_range(row["peak_10s_low_gpm"], row["peak_10s_high_gpm"]),
        f"safe maximum operating capacity (SMOC) {units.flow(row.get('installed_smoc_gpm'))}",
    )


def _actual(site: SiteEvidence) -> Figure:
    units, profile = Units(site.units), site.profile
    if profile is None:
        return Figure("actual volume per year", ABSENT, "", "")
    return Figure(
        "actual volume per year",
        units.volume(profile["actual_gal_per_year"]),
        units.volume_range(
            profile["actual_low_gal_per_year"], profile["actual_high_gal_per_year"]
        ),
        f"registered: {units.volume(profile['registered_gal_per_year'])}",
    )


def _head_loss(site: SiteEvidence) -> Figure:
    row, units = site.recommendation, Units(site.units)
    here = next((c for c in site.candidates if c["is_installed"]), {})
    return Figure(
        "head loss at the peak",
        units.pressure(here.get("head_loss_at_peak_psi")),
        "",
        f"with the new meter {units.pressure(row.get('head_loss_at_peak_psi'))}; "
        f"available pressure drop {units.pressure(row.get('spare_head_psi'))}",
    )


def _fit(site: SiteEvidence) -> Figure:
    row, units = site.recommendation, Units(site.units)
    return Figure(
        "probability that the new meter handles it",
        odds(row["odds_of_fit"]),
        "",
        f"peak, sustained flow, head loss; change-out cost {units.usd(row['change_cost_usd'])}",
    )


def _overload(row: Any) -> Figure:
    return Figure(
        "probability of overload",
        odds(row.get("odds_of_undersized")),
        "",
        "peak or sustained flow above the meter's limits",
    )
