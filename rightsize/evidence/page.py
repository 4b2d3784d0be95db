"""A site page: everything that an engineer takes to the vault, in one HTML text."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from functools import cache
from typing import Any

import jinja2
import numpy as np
from markupsafe import Markup

from rightsize.evidence import words
from rightsize.evidence.card import card
from rightsize.evidence.cautions import CAUTIONS
from rightsize.evidence.headline import headline, verdict_shown
from rightsize.evidence.outcomes.meter_test import meter_test_lines
from rightsize.evidence.outcomes.site_outcome import outcome_lines
from rightsize.evidence.pictures.band_picture import bands_svg
from rightsize.evidence.pictures.duration_picture import duration_svg, exceedance
from rightsize.evidence.pictures.palette import in_print_colors
from rightsize.evidence.pictures.peak_days_picture import peak_days_svg
from rightsize.evidence.pictures.unseen_picture import unseen_parts, unseen_svg
from rightsize.evidence.pictures.year_picture import largest_days, top_flow_gpm, year_svg
from rightsize.evidence.quantity import Units, decimal, odds, pct, share
from rightsize.evidence.rivals import rivals
from rightsize.evidence.site import SiteEvidence, YearReads
from rightsize.evidence.statements import figures, in_service_since, net_sum
from rightsize.evidence.table_labels import with_labels
from rightsize.evidence.tables.money_by_year import money_by_year
from rightsize.evidence.visit import FILL_IN, checklist

_SEVERITY_ORDER = {"serious": 0, "warning": 1, "info": 2}
_MEASURABLE_NIGHTS = 7


@cache
def environment() -> jinja2.Environment:
    """The templates of this package; every value is escaped unless it is our own picture."""
    made = jinja2.Environment(
        loader=jinja2.PackageLoader("rightsize.evidence"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters |= {"odds": odds, "pct": pct, "share": share}
    return made


def site_page(meters: Sequence[SiteEvidence], *, for_pdf: bool = False) -> str:
    """The page of one account, a part for each of its meters in service.

    Parameters
    ----------
    meters
        Evidence on each meter of the account; at least one.
    for_pdf
        Lay out for the PDF writer, without what paper cannot do: folded tables, themes.

    Returns
    -------
    str
        HTML that opens nothing else: no script, no address but `data:`.
    """
    first = meters[0]
    template = environment().get_template("site.html")
    page = with_labels(
        template.render(
            account_id=first.account_id,
            first=first,
            provenance=first.provenance,
            parts=[_part(site) for site in meters],
            verdict_word=words.VERDICT_WORD,
            action_word=words.ACTION_WORD,
            severity_sign=words.SEVERITY_SIGN,
            cautions=CAUTIONS,
            fill_in=FILL_IN,
            for_pdf=for_pdf,
        )
    )
    return in_print_colors(page) if for_pdf else page


def _part(site: SiteEvidence) -> dict[str, Any]:
    units, row = Units(site.units), site.recommendation
    shown = verdict_shown(site)
    is_open = shown not in words.VERDICT_WORD.values()
    return {
        "site": site,
        "row": row,
        "address": site.listed.get("service_address"),
        "units": units,
        "verdict_sign": words.VERDICT_SIGN["not_assessed" if is_open else row["verdict"]],
        "verdict_word": shown,
        "headline": headline(site),
        "reason": row["reason"] if site.is_assessed or site.is_fire else "",
        "is_settled": row.get("settled_verdict", row["verdict"]) == row["verdict"]
        and row.get("settled_action", row["action"]) == row["action"],
        "figures": figures(site),
        "net_sum": net_sum(site),
        "since": in_service_since(site),
        "outcomes": outcome_lines(site.change_outs, units),
        "meter_tests": meter_test_lines(site.test_outcome, site.test_due, units),
        "card": card(site),
        "rivals": rivals(site),
        "money": money_by_year(site),
        "checks": checklist(site),
        "findings": sorted(site.findings, key=lambda f: _SEVERITY_ORDER[f["severity"]]),
        "quality": _quality(site, units),
        "exports": [
            (export, list(files))
            for export, files in itertools.groupby(site.files, key=lambda f: f.export)
        ],
        "now": units.meter_of(row, "installed"),
        "new": units.meter_of(row, "recommended"),
        **_flow_pictures(site, units),
        **_year_pictures(site, units),
    }


def _flow_pictures(site: SiteEvidence, units: Units) -> dict[str, Any]:
    """Pictures that rest on the inference; none where the meter is not assessed."""
    if not (site.is_assessed and site.bands and site.profile):
        return {"bands": None, "duration": None, "unseen": None}
    low = share(site.recommendation.get("low_flow_share"))
    bands = bands_svg(
        site,
        units,
        label=f"Share of actual volume by flow rate; {low} below the installed "
        "meter's normal minimum. The table below has the numbers.",
    )
    duration = duration_svg(
        site,
        units,
        label="Flow against the share of time it is exceeded. The table below has the numbers.",
    )
    profile, parts = site.profile, unseen_parts(site.profile)
    actual_gal = sum(parts.values()) or 1.0
    unseen = unseen_svg(
        profile,
        units,
        label=f"Registered {share(parts['registered'] / actual_gal)} of the actual volume.",
    )
    return {
        "bands": Markup(bands),
        "duration": Markup(duration),
        "unseen": Markup(unseen),
        "unseen_parts": {k: units.volume(v) for k, v in parts.items()},
        "unseen_shares": {k: share(v / actual_gal) for k, v in parts.items()},
        "actual": units.volume(profile["actual_gal_per_year"]),
        "actual_range": units.volume_range(
            profile["actual_low_gal_per_year"], profile["actual_high_gal_per_year"]
        ),
        "band_rows": _band_rows(site, units),
        "duration_rows": _duration_rows(site, units),
    }


def _band_rows(site: SiteEvidence, units: Units) -> list[tuple[str, ...]]:
    return [
        (
            units.flow_range(b["band_from_gpm"], b["band_to_gpm"]),
            share(b["time_share"], 3),
            share(b["actual_volume_share"], 1),
            f"{share(b['actual_volume_low_share'])} to {share(b['actual_volume_high_share'])}",
            share(b["registered_volume_share"], 1),
        )
        for b in site.bands
        if b["actual_volume_high_share"] >= 0.0005
    ]


def _duration_rows(site: SiteEvidence, units: Units) -> list[tuple[str, ...]]:
    return [
        (
            units.flow(point["flow_gpm"]),
            pct(point["exceeded_pct"], 4),
            f"{pct(point['low_pct'], 4)} to {pct(point['high_pct'], 4)}",
        )
        for point in exceedance(site.bands)
        if point["exceeded_pct"] >= 1e-4
    ]


def _year_pictures(site: SiteEvidence, units: Units) -> dict[str, Any]:
    """Pictures of the reads themselves, for any meter that has some."""
    year = site.year
    if year is None or not np.isfinite(year.hour_gpm).any():
        return {"year": None, "peak_days": None}
    first, last = year.days[0], year.days[-1]
    picture = year_svg(
        year,
        units,
        label=f"Registered flow, {first} to {last}: by day and hour, daily volume, night flow.",
    )
    peaks = peak_days_svg(
        year, units, label="The five highest-use days, hour by hour, against typical days."
    )
    return {
        "year": Markup(picture),
        "peak_days": Markup(peaks),
        "year_from": first.isoformat(),
        "year_to": last.isoformat(),
        "top_flow": units.flow(top_flow_gpm(year)),
        "night": _night(year, site, units),
        "day_rows": [
            (
                year.days[k].isoformat(),
                units.volume(float(year.day_gal[k])),
                units.flow(_largest_hour_gpm(year, k)),
            )
            for k in largest_days(year)
        ],
    }


def _largest_hour_gpm(year: YearReads, day: int) -> float | None:
    hours = year.hour_gpm[day]
    return float(np.nanmax(hours)) if np.isfinite(hours).any() else None


def _night(year: YearReads, site: SiteEvidence, units: Units) -> str:
    night = year.night_gpm[np.isfinite(year.night_gpm)]
    if night.size < _MEASURABLE_NIGHTS:
        return "Too few nights of reads for a night flow."
    median_gpm = float(np.median(night))
    said = (
        f"drop to {units.flow(median_gpm)} or less"
        if median_gpm > 0
        else "have an hour of zero flow"
    )
    low = (site.profile or {}).get("minimum_night_flow_gpm")
    least = f"; minimum night flow {units.flow(low)}" if low is not None else ""
    return f"Half of the {night.size} nights with reads {said}{least}."


def _quality(site: SiteEvidence, units: Units) -> list[tuple[str, str]]:
    profile = site.profile
    rows: list[tuple[str, str]] = []
    if profile:
        rows = [
            ("days covered", decimal(profile["days_covered"], 0)),
            ("reads used", units.count(profile["reads_used"])),
            ("read interval", f"{profile['interval_min']:g} min"),
            ("register resolution", units.volume(profile["resolution_gal"])),
            ("estimated reads", share(profile["estimated_share"])),
            ("intervals with zero registration", share(profile["zero_share"])),
        ]
    if site.year is not None:
        year = site.year
        rows.append(("days with a gap", str(int((year.covered_share < 0.999).sum()))))
    return rows
