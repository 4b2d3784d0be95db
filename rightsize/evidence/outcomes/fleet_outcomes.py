"""The fleet page on what came of change-outs: cases, promises, money, what cannot be told."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Any, Final

from markupsafe import Markup

from rightsize.contracts.realised_gain import NO_GAIN_CODES
from rightsize.evidence.outcomes import words
from rightsize.evidence.outcomes.promise_picture import promise_svg
from rightsize.evidence.outcomes.words import Row
from rightsize.evidence.quantity import THIN, Units, decimal, share, significant
from rightsize.units.column_units import metric_name
from rightsize.verify.calibration import (
    INTERVAL_SHARE,
    LEAST_CASES,
    SIGNIFICANT_SHARE,
    Calibration,
)

ROWS_SHOWN: Final = 200  # of each table; the views have all
POINTS_SHOWN: Final = 400  # of the picture, newest first: more hide one another
_SCOPES: Final = {"type": "type", "size": "nominal size", "class": "class"}


@dataclass(frozen=True)
class ChangeOuts:
    """Rows of `change_out_result` and `change_out_total`, and how promises held."""

    results: tuple[Row, ...] = ()
    totals: tuple[Row, ...] = ()
    calibration: Calibration | None = None
    persistence: tuple[Row, ...] = ()  # of `leak_persistence`

    @property
    def total(self) -> Row | None:
        """The total of all change-outs; None if there are none."""
        return next((row for row in self.totals if row["scope"] == "all"), None)


def outcome_context(held: ChangeOuts, units: Units) -> dict[str, Any]:
    """What the template `fleet_outcome.html` shows."""
    parts = {
        name: [_line(r, units) for r in held.results if r["standing"] == name]
        for name in ("judged", "too_young", "set_aside", "refused")
    }
    total = held.total
    has_promises = any(r["against_promise"] for r in held.results)
    return {
        "total": total,
        "came_total": words.volume(total, "realised_gain_gal_per_year", units) if total else "",
        "came_range": words.volume_range(total, "realised_gain", "gal_per_year", units)
        if total
        else "",
        "counts": {name: len(rows) for name, rows in parts.items()},
        **{name: rows[:ROWS_SHOWN] for name, rows in parts.items()},
        "refusals": _refusals(held),
        "sums": _sums(held, units),
        "kept": _kept(held, units),
        "calibration": calibration_lines(held),
        "is_short": held.calibration is not None and held.calibration.is_over_promised,
        "picture": Markup(_picture(held)) if has_promises else "",
        "steady": _steady(held, units),
        "rows_shown": ROWS_SHOWN,
        "points_shown": POINTS_SHOWN,
        "least_cases": LEAST_CASES,
    }


def _line(row: Row, units: Units) -> dict[str, Any]:
    return {
        "account": row["account_id"],
        "name": row["customer_name"] or "",
        "class": (row["customer_class"] or "").replace("_", " "),
        "changed_on": words.day(row["changed_on"]),
        "meters": words.meters_of(row, units),
        "promised": words.signed_pct(row["promised_gain_pct"]),
        "promised_range": words.pct_range(row, "promised_gain"),
        "promised_volume": words.volume(row, "promised_gain_gal_per_year", units),
        "came": words.signed_pct(row["realised_gain_pct"]),
        "came_range": words.pct_range(row, "realised_gain"),
        "volume": words.volume(row, "realised_gain_gal_per_year", units),
        "usd": units.usd(row["realised_to_date_usd"]),
        "usd_range": units.usd_range(
            row["realised_to_date_low_usd"], row["realised_to_date_high_usd"]
        ),
        "verdict": words.CAME_WORD.get(row["came"] or "", ""),
        "came_code": row["came"],
        "against": words.PROMISE_WORD.get(row["against_promise"] or "", ""),
        "against_sign": words.PROMISE_SIGN.get(row["against_promise"] or "", ""),
        "is_short": row["against_promise"] == "short",
        "is_loss": row["came"] == "loss",
        "why": words.why(row),
        "days_after": decimal(row["days_after"], 0),
    }


def _refusals(held: ChangeOuts) -> list[tuple[str, int]]:
    """Reasons for which nothing can be told, with their count."""
    counted = Counter(r["code"] for r in held.results if r["standing"] == "refused")
    return [(NO_GAIN_CODES.get(code, code), count) for code, count in counted.most_common()]


def _sums(held: ChangeOuts, units: Units) -> list[dict[str, Any]]:
    """Totals by type, size and class, where anything was judged."""
    return [
        {
            "scope": _SCOPES[row["scope"]],
            "name": _name(row, units),
            "change_outs": row["change_outs"],
            "judged": row["judged"],
            "too_young": row["too_young"],
            "set_aside": row["set_aside"],
            "promised": words.volume(row, "promised_gain_gal_per_year", units),
            "of_promised": words.volume(row, "realised_of_promised_gal_per_year", units),
            "came": words.volume(row, "realised_gain_gal_per_year", units),
            "came_range": words.volume_range(row, "realised_gain", "gal_per_year", units),
            "usd": units.usd(row["realised_to_date_usd"]),
        }
        for row in held.totals
        if row["scope"] in _SCOPES and row["judged"]
    ]


def _name(row: Row, units: Units) -> str:
    name = str(row["name"]).replace("_", " ")
    if row["scope"] != "size" or name == "not known":
        return name
    return units.held_meter("", float(name), None).strip()


def _kept(held: ChangeOuts, units: Units) -> dict[str, Any] | None:
    """What came of what was promised, over the change-outs that have both."""
    total = held.total
    if total is None or not total["promises"]:
        return None
    promised = words.held(total, "promised_gain_gal_per_year", units)
    came = words.held(total, "realised_of_promised_gal_per_year", units)
    return {
        "share": share(came / promised, 0) if promised else "",
        "promised": words.volume(total, "promised_gain_gal_per_year", units),
        "came": words.volume(total, "realised_of_promised_gal_per_year", units),
        "count": total["promises"],
        "short": total["promises_short"],
    }


def _steady(held: ChangeOuts, units: Units) -> list[dict[str, Any]]:
    """How much of the steady flow that new meters made visible is still there."""
    name = metric_name("new_gpm") if units.is_metric else "new_gpm"
    return [
        {
            "months": row["months_after"],
            "count": row["case_count"],
            "flow": f"{significant(row[name], parted=units.parted)}{THIN}{units.flow_unit}",
            "left": "too few" if row["left_share"] is None else share(row["left_share"], 0),
            "range": ""
            if row["left_low_share"] is None
            else f"{share(row['left_low_share'], 0)} to {share(row['left_high_share'], 0)}",
        }
        for row in held.persistence
        if row["case_count"]
    ]


def _picture(held: ChangeOuts) -> str:
    known = [r for r in held.results if r["against_promise"]]
    shown = sorted(known, key=lambda r: r["changed_on"], reverse=True)[:POINTS_SHOWN]
    short = sum(r["against_promise"] == "short" for r in shown)
    return promise_svg(
        shown,
        label=f"Promised against realized gain of the {len(shown)} newest change-outs; {short} "
        "lie wholly below the line of promises kept. The table has the numbers.",
    )


def calibration_lines(held: ChangeOuts) -> list[str]:
    """How promises held over all cases, the verdict first; empty with too few cases."""
    found = held.calibration
    if found is None:
        return []
    said = (
        "Less came than was promised, beyond chance."
        if found.is_over_promised
        else "More came than was promised, beyond chance."
        if found.bias_probability < SIGNIFICANT_SHARE
        else "No difference from the promises that chance would not explain."
    )
    bias = [_points(v) for v in (found.bias_share, found.bias_low_share, found.bias_high_share)]
    slope = [decimal(v, 2) for v in (found.slope, found.slope_low, found.slope_high)]
    return [
        said,
        f"Realized less promised is {bias[0]} points of use on average over "
        f"{found.case_count} change-outs (90 % range {bias[1]} to {bias[2]}; probability by "
        f"chance {_probability(found.bias_probability)}).",
        f"Of each further gallon promised, {slope[0]} came ({slope[1]} to {slope[2]}); 1 if "
        "promises hold.",
        f"{share(found.covered_share, 0)} of what came lies within the range of promise and "
        f"measurement together; {share(INTERVAL_SHARE, 0)} if the ranges hold.",
    ]


def _points(value: float) -> str:
    said = decimal(100 * value, 1)
    return f"+{said}" if value > 0 else said


def _probability(value: float) -> str:
    return "below 0.001" if value < 0.001 else f"{value:.3f}"
