"""The comparison card: the installed meter against another, aspect by aspect, in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from rightsize.evidence.quantity import Units, decimal, odds, pct, significant
from rightsize.evidence.site import Row, SiteEvidence
from rightsize.meters.catalogue import Meter
from rightsize.meters.comparison import LOW_FLOWS_GPM, ComparisonRow, comparison_card

_LOW_FLOWS_M3H: Final = (0.05, 0.25)


@dataclass(frozen=True)
class CardLine:
    """One aspect of both meters in words; `better` names the side that has the edge."""

    aspect: str
    installed: str
    other: str
    better: str


@dataclass(frozen=True)
class Card:
    """Two meters side by side."""

    title: str
    installed: str
    other: str
    lines: tuple[CardLine, ...]


def card(site: SiteEvidence) -> Card | None:
    """Installed against recommended, or against the runner-up where nothing is changed.

    None where a meter is not in the catalog or the account has no peak to hold it against.
    """
    other = site.recommended if site.is_change else site.runner_up
    peak_gpm = site.recommendation.get("peak_10s_gpm")
    if site.installed is None or other is None or not peak_gpm:
        return None
    units = Units(site.units)
    told = comparison_card(
        site.installed, other, peak_gpm=peak_gpm, low_flows_gpm=_low_flows_gpm(units)
    )
    second = "the recommended meter" if site.is_change else "the best alternative"
    return Card(
        title=f"Installed meter compared with {second}",
        installed=_name(units, site.installed),
        other=_name(units, other),
        lines=(*_here(site, other), *(_line(units, row) for row in told.rows)),
    )


def _low_flows_gpm(units: Units) -> tuple[float, ...]:
    """Flows [gpm] that are round figures in the reader's units."""
    if not units.is_metric:
        return LOW_FLOWS_GPM
    return tuple(flow / units.flow_per_gpm for flow in _LOW_FLOWS_M3H)


def _name(units: Units, meter: Meter) -> str:
    return units.meter(meter.meter_type, meter.size_in, meter.grade)


def _here(site: SiteEvidence, other: Meter) -> tuple[CardLine, ...]:
    """What the two do on this account's own flows."""
    one = next((c for c in site.candidates if c["is_installed"]), None)
    two = next((c for c in site.candidates if _is(c, other)), None)
    if one is None or two is None:
        return ()
    return (
        CardLine("weighted accuracy", _accuracy(one), _accuracy(two), ""),
        CardLine(
            "probability of handling the demand",
            odds(one["odds_of_fit"]),
            odds(two["odds_of_fit"]),
            "",
        ),
    )


def _is(candidate: Row, meter: Meter) -> bool:
    return bool(
        candidate["meter_type"] == meter.meter_type
        and abs(candidate["size_in"] - meter.size_in) < 1e-6
        and candidate["grade"] == meter.grade
    )


def _accuracy(candidate: Row) -> str:
    low, high = candidate["accuracy_low_pct"], candidate["accuracy_high_pct"]
    ends = f" ({decimal(low, 1)} to {decimal(high, 1)})" if low is not None else ""
    return pct(candidate["accuracy_pct"]) + ends


def _line(units: Units, row: ComparisonRow) -> CardLine:
    aspect = row.aspect
    for flow_gpm in _low_flows_gpm(units):
        if aspect == f"registered at {flow_gpm:g} gpm":
            aspect = f"registered at {units.flow(flow_gpm)}"
    better = {"installed": "installed", "candidate": "other", "neither": ""}[row.better]
    return CardLine(
        aspect, _said(units, row, row.installed), _said(units, row, row.candidate), better
    )


def _said(units: Units, row: ComparisonRow, value: str | float) -> str:
    if isinstance(value, str):
        return value
    if row.unit == "gpm":
        return units.flow(value)
    if row.unit == "psi":
        return units.pressure(value)
    if row.unit == "usd":
        return units.usd(value)
    if row.unit == "usd_per_year":
        return f"{units.usd(value)} per year"
    if row.unit == "years":
        return f"{significant(value)} years"
    return pct(value, 0) if row.unit == "pct" else f"{significant(value)} to 1"
