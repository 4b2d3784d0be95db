"""The meters that were not chosen, and why not."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from rightsize.evidence.quantity import Units, decimal, odds, pct
from rightsize.evidence.site import Row, SiteEvidence
from rightsize.evidence.words import refusal

FEASIBLE_SHOWN: Final = 4
REFUSED_SHOWN: Final = 3


@dataclass(frozen=True)
class Rival:
    """One catalog meter beside the recommended one."""

    meter: str
    accuracy: str
    accuracy_range: str
    benefit: str
    benefit_range: str
    odds_of_fit: str
    why_not: str


def rivals(site: SiteEvidence) -> tuple[Rival, ...]:
    """The best that may be installed, then those that came nearest to it."""
    others = [c for c in site.candidates if not _is_chosen(site, c)]
    able = sorted((c for c in others if c["rank"] is not None), key=lambda c: c["rank"])
    refused = sorted(
        (c for c in others if c["rank"] is None and not c["is_installed"]),
        key=lambda c: (-(c["odds_of_fit"] or 0.0), -(c["accuracy_pct"] or 0.0)),
    )
    installed = [c for c in others if c["is_installed"]]
    shown = [c for c in able if not c["is_installed"]][:FEASIBLE_SHOWN]
    return tuple(_rival(site, c) for c in (*installed, *shown, *refused[:REFUSED_SHOWN]))


def _is_chosen(site: SiteEvidence, candidate: Row) -> bool:
    row = site.recommendation
    return bool(
        candidate["meter_type"] == row.get("recommended_type")
        and candidate["size_in"] == row.get("recommended_size_in")
        and candidate["grade"] == row.get("recommended_grade")
    )


def _rival(site: SiteEvidence, c: Row) -> Rival:
    units = Units(site.units)
    name = units.meter(c["meter_type"], c["size_in"], c["grade"])
    low, high = c["net_benefit_low_usd_per_year"], c["net_benefit_high_usd_per_year"]
    known = c["net_benefit_usd_per_year"] is not None and not c["is_installed"]
    return Rival(
        meter=f"{name} (installed)" if c["is_installed"] else name,
        accuracy=pct(c["accuracy_pct"]),
        accuracy_range=f"{decimal(c['accuracy_low_pct'], 1)} to"
        f" {decimal(c['accuracy_high_pct'], 1)}",
        benefit=units.usd(c["net_benefit_usd_per_year"]) if known else "",
        benefit_range=units.usd_range(low, high) if known and low is not None else "",
        odds_of_fit=odds(c["odds_of_fit"]),
        why_not=_why_not(site, c),
    )


def _why_not(site: SiteEvidence, candidate: Row) -> str:
    said = refusal(candidate["rejected_because"])
    if said:
        return said
    if candidate["is_installed"]:
        return "in service now; it handles the demand"
    best = site.recommendation.get("net_benefit_usd_per_year")
    own = candidate["net_benefit_usd_per_year"]
    if site.is_change and best is not None and own is not None:
        less = Units(site.units).usd(max(best - own, 0.0))
        return f"net benefit {less} per year lower"
    return "probability of positive net benefit too low"
