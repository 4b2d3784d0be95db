"""The fleet's pages: summary, list, changes, quality, definitions; static and self-reliant."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from typing import Any, Final

import polars as pl
from markupsafe import Markup

from rightsize.contracts.recommendation import RECOMMENDATION
from rightsize.evidence import words
from rightsize.evidence.cautions import CAUTIONS
from rightsize.evidence.fleet import FleetEvidence
from rightsize.evidence.list_data import shortened
from rightsize.evidence.outcomes.fleet_outcomes import outcome_context
from rightsize.evidence.page import environment
from rightsize.evidence.pictures.fleet_pictures import classes_svg, half_way, stake_svg
from rightsize.evidence.quantity import Units, decimal, odds
from rightsize.evidence.table_labels import with_labels
from rightsize.findings import FINDING_CODES
from rightsize.units.column_units import metric_name

BEST_SHOWN: Final = 15
FIRST_ROWS: Final = 50
REVIEWS_SHOWN: Final = 100
_GRAVEST_FIRST: Final = {"serious": 0, "warning": 1, "info": 2}
NAV: Final = (
    ("index", "summary"),
    ("list", "list"),
    ("changes", "what changed"),
    ("outcome", "what came of it"),
    ("quality", "data quality"),
    ("words", "definitions"),
)
EXPLAINED: Final = (
    "accuracy_gain_pct", "volume_gain_gal_per_year", "revenue_gain_usd_per_year",
    "net_benefit_usd_per_year", "net_present_value_usd", "payback_years", "change_cost_usd",
    "peak_10s_gpm", "sustained_60min_gpm", "low_flow_share", "odds_of_benefit", "odds_of_fit",
    "odds_of_undersized", "unseen_share_of_gain",
)  # fmt: skip
"""Columns that the definitions explain, in the contract's own words."""


def fleet_pages(fleet: FleetEvidence, pages: dict[str, str]) -> Iterator[tuple[str, str]]:
    """File name and HTML of each page.

    Parameters
    ----------
    pages
        Site pages that exist already: account to file name below `sites/`.
    """
    common = _common(fleet, pages)
    yield "index.html", _render("fleet_index.html", "index", common, _summary(fleet))
    yield "list.html", _render("fleet_list.html", "list", common, _list(fleet))
    yield "changes.html", _render("fleet_changes.html", "changes", common, _moved(fleet))
    yield "outcome.html", _render("fleet_outcome.html", "outcome", common, _outcome(fleet))
    yield "quality.html", _render("fleet_quality.html", "quality", common, _quality(fleet))
    yield "words.html", _render("fleet_words.html", "words", common, _words(fleet))


def _render(template: str, page: str, common: dict[str, Any], own: dict[str, Any]) -> str:
    context = {**common, **own, "page": page}
    return with_labels(environment().get_template(template).render(**context))


def _common(fleet: FleetEvidence, pages: dict[str, str]) -> dict[str, Any]:
    return {
        "fleet": fleet,
        "sweep": fleet.sweep,
        "units": Units(fleet.units),
        "nav": NAV,
        "pages": pages,
        "verdict_word": words.VERDICT_WORD,
        "verdict_sign": words.VERDICT_SIGN,
        "action_word": words.ACTION_WORD,
        "severity_sign": words.SEVERITY_SIGN,
        "usd_range": Units(fleet.units).usd_range,
        "usd": Units(fleet.units).usd,
        "decimal": decimal,
        "odds": odds,
        "thousands": Units(fleet.units).count,
        "script": Markup(list_script()),
        "script_hash": script_hash(),
    }


@cache
def list_script() -> str:
    """The script of the list page."""
    loader = environment().loader
    assert loader is not None
    source: str = loader.get_source(environment(), "fleet_list.js")[0]
    return source


@cache
def script_hash() -> str:
    """What the page's policy names the script by: no other inline script runs."""
    digest = hashlib.sha256(list_script().encode("utf-8")).digest()
    return "sha256-" + base64.b64encode(digest).decode("ascii")


_TOTALS: Final = tuple(
    f"{name}{end}_usd_per_year"
    for name in ("net_benefit", "revenue_gain")
    for end in ("", "_low", "_high")
)


def _summary(fleet: FleetEvidence) -> dict[str, Any]:
    changes = fleet.changes
    half = half_way(changes)
    [total] = fleet.totals or (dict.fromkeys(_TOTALS, 0.0),)
    label = f"{half} of {changes.height} change-outs bring half of the revenue gain."
    return {
        "total": {**total, "change_cost_usd": float(changes["change_cost_usd"].sum())},
        "change_count": changes.height,
        "log_count": int((fleet.meters["action"] == "log_first").sum()),
        "half": half,
        "stake": Markup(stake_svg(fleet, label=label)) if changes.height else "",
        "by_class": Markup(classes_svg(fleet, label="Net benefit by customer class."))
        if changes.height
        else "",
        "best": _list_rows(fleet, "change", BEST_SHOWN),
        **_reviews(fleet),
    }


def _reviews(fleet: FleetEvidence) -> dict[str, Any]:
    """Meters for engineering review, those with a verdict first."""
    frame = fleet.meters.filter(pl.col("action") == "refer").sort(
        pl.col("verdict") == "not_assessed", maintain_order=True
    )
    shown = replace(fleet, meters=frame.head(REVIEWS_SHOWN))
    rows = shortened(shown).with_columns(reason=shown.meters["reason"])
    return {"reviews": rows.to_dicts(), "review_count": frame.height}


def _moved(fleet: FleetEvidence) -> dict[str, Any]:
    """The meters that changed, with the recommended meter before and now."""
    units = Units(fleet.units)
    size = _held("recommended_size_in", fleet)
    rows = [
        {
            **row,
            "before": units.held_meter(
                row["previous_recommended_type"], row[f"previous_{size}"], None
            ),
            "now": units.held_meter(row["recommended_type"], row[size], None),
            "in_ground": units.held_meter(
                row["installed_type"], row[_held("installed_size_in", fleet)], None
            ),
        }
        for row in fleet.moved
    ]
    return {"moved": rows}


def _outcome(fleet: FleetEvidence) -> dict[str, Any]:
    return outcome_context(fleet.change_outs, Units(fleet.units))


def _held(column: str, fleet: FleetEvidence) -> str:
    return metric_name(column) if fleet.units == "metric" else column


def _list(fleet: FleetEvidence) -> dict[str, Any]:
    return {"rows": _list_rows(fleet, None, FIRST_ROWS)}


def _list_rows(fleet: FleetEvidence, action: str | None, count: int) -> list[dict[str, Any]]:
    """The first rows of the list, for readers without scripts and for print."""
    frame = shortened(replace(fleet, meters=fleet.meters.head(count)))
    rows = frame.to_dicts()
    return [r for r in rows if action in (None, r["action"])]


def _quality(fleet: FleetEvidence) -> dict[str, Any]:
    profiled = sum(row["meters"] for row in fleet.coverage)
    return {
        "findings": sorted(
            (
                {**row, "meaning": FINDING_CODES[row["code"]].meaning}
                for row in fleet.refusals
                if row["kind"] == "finding" and row["code"] in FINDING_CODES
            ),
            key=lambda row: _GRAVEST_FIRST[FINDING_CODES[row["code"]].severity],
        ),
        "not_assessed": [r for r in fleet.refusals if r["kind"] == "not assessed"],
        "refused": [r for r in fleet.refusals if r["kind"] == "row refused"],
        "profiled": profiled,
        "missed": [e for e in fleet.expectations if e["missed"]],
    }


def _words(fleet: FleetEvidence) -> dict[str, Any]:
    table = RECOMMENDATION if fleet.units == "us" else RECOMMENDATION.metric()
    return {
        "verdicts": [(words.VERDICT_WORD[k], k, v) for k, v in words.VERDICT_MEANING.items()],
        "actions": [(words.ACTION_WORD[k], v) for k, v in words.ACTION_MEANING.items()],
        "columns": [
            (name.replace("_", " "), table.column(name).comment)
            for name in (_held(n, fleet) for n in EXPLAINED)
        ],
        "codes": sorted(FINDING_CODES.values(), key=lambda code: code.code),
        "cautions": CAUTIONS,
    }
