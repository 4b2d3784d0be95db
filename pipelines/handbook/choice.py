"""Generated parts of the handbook's page on how a meter is chosen: `python -m
pipelines.handbook.choice`.

The text is written by hand; the worked example and the thresholds between markers are generated
from the code. A test fails if they differ.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import numpy as np

from pipelines.handbook import parts as handbook_parts
from pipelines.handbook.choice_steps import step_rows
from rightsize.recommend.worked_example import (
    ACTUAL_GAL,
    CATALOGUE,
    PEAK_GPM,
    SAMPLES,
    worked_example,
)
from rightsize.settings import Thresholds

PAGE: Final = (
    Path(__file__).resolve().parents[2] / "rightsize" / "handbook" / "how_a_meter_is_chosen.md"
)
_SHOWN_LIMITS: Final = (
    "odds_of_fit", "odds_of_benefit", "odds_of_costly_benefit", "costly_change_usd",
    "odds_without_log", "odds_slack", "odds_of_undersized", "min_net_benefit_usd_per_year",
    "min_gain_points",
    "max_payback_years", "tie_band_share", "wrong_size_cost_usd", "design_peak_share",
    "upsize_needs_evidence", "tap_and_line_usd_per_in", "unknown_line_odds",
    "fitting_usd_per_in", "repipe_usd_per_in", "strainer_usd_per_in", "power_usd",
    "traffic_control_usd", "traffic_min_in", "unknown_site_odds",
    "capacity_charge_usd_per_equivalent", "manifold_capacity_share", "smoc_margin_share",
    "continuous_margin_share", "spare_head_psi", "double_check_psi", "reduced_pressure_psi",
    "min_size_in",
    "max_sizes_below_line", "fire_line_min_in", "fire_line_sizes_above_meter",
    "fire_line_step_min_in", "refit_usd_per_in", "renewal_credit_share", "demand_elasticity",
    "leak_runs_after_3_months_share", "leak_runs_after_12_months_share",
    "leak_runs_after_36_months_share", "leak_runs_spread_share",
    "learn_leak_repair",
    "logging_cost_usd", "log_resolves_share", "min_log_value_usd", "near_limit_odds",
)  # fmt: skip


def written_parts() -> dict[str, str]:
    """Text of each generated part of the page."""
    return {"worked example": _example(), "limits": _limits()}


def with_parts(page: str) -> str:
    """The page with its generated parts rewritten.

    Raises
    ------
    ValueError
        If the page lacks a marker.
    """
    return handbook_parts.with_parts(page, written_parts())


def _example() -> str:
    decision = worked_example().decision
    row = decision.recommendation.row(0, named=True)
    return "\n".join(
        [
            "| samples | actual, gal/year | 10-second peak, gpm | revenue gain with the 2 in |",
            "|---|---|---|---|",
            *_draw_rows(),
            "",
            "| meter | probability of fit | probability of positive net benefit | net benefit"
            " per year | result |",
            "|---|---|---|---|---|",
            *(_candidate(r) for r in decision.candidate.iter_rows(named=True)),
            "",
            "Rule by rule, in the order of the decision:",
            "",
            *step_rows(),
            "",
            f"Verdict **{row['verdict'].replace('_', ' ')}**, action **{row['action']}**. "
            "The `recommendation` table says:",
            "",
            f"> {row['reason']}",
            "",
            "Its net benefit:",
            "",
            *_money_rows(row),
            "",
            f"Over the meter's life the net present value is "
            f"${row['net_present_value_usd']:,.0f} for "
            f"a cost of ${row['change_cost_usd']:,.0f}; the simple payback is "
            f"{row['payback_years']:.1f} years.",
        ]
    )


def _draw_rows() -> list[str]:
    drawn = zip(SAMPLES, ACTUAL_GAL, PEAK_GPM, _gains_by_draw(), strict=True)
    return [
        f"| {w} of 10 | {actual:,.0f} | {peak:g} | ${usd} |" for w, actual, peak, usd in drawn
    ]


def _money_rows(row: dict[str, Any]) -> list[str]:
    gain, lost = row["revenue_gain_usd_per_year"], row["fixed_charge_change_usd_per_year"]
    size = f"{row['recommended_size_in']:g} in"
    return [
        "| | per year |",
        "|---|---|",
        f"| expected increase in water and sewer revenue | {_usd(gain)} |",
        f"| loss of base charge, 3 in to {size} | {_usd(lost)} |",
        f"| leaks that the new meter shows, repaired over the years | "
        f"{_usd(row['leak_repair_usd_per_year'])} |",
        f"| wear of the old meter, less that of the new one | "
        f"{_usd(row['wear_gain_usd_per_year'])} |",
        "| annualized purchase and installation, net of O&M saved | "
        f"{_usd(-row['annual_cost_usd_per_year'])} |",
        f"| **net benefit** | **{_usd(row['net_benefit_usd_per_year'])}** |",
    ]


def _usd(amount: float) -> str:
    return f"{'-' if amount < 0 else ''}${abs(amount):,.0f}"


def _gains_by_draw() -> list[str]:
    posterior = worked_example().posterior
    first = np.cumsum((0, *SAMPLES[:-1]))
    registered = posterior.registered_gal_per_year[first, 0, 2]
    more = registered - posterior.installed_gal_per_year[first, 0]
    price = 5.00 + 0.9 * 4.00
    return [f"{gal / 1000 * price:,.0f}" for gal in more]


def _candidate(row: dict[str, Any]) -> str:
    meter = next(
        m
        for m in CATALOGUE.meters
        if (m.meter_type, m.size_in, m.grade)
        == (row["meter_type"], row["size_in"], row["grade"])
    )
    if row["is_installed"]:
        end = "installed"
    elif row["rank"] == 1:
        end = "**chosen**"
    else:
        end = str(row["rejected_because"])
    pays = "" if row["is_installed"] else f"{row['odds_of_benefit']:.2f}"
    return (
        f"| {meter.label} | {row['odds_of_fit']:.2f} | {pays} | "
        f"{_usd(row['net_benefit_usd_per_year'])} | {end} |"
    )


def _limits() -> str:
    fields = Thresholds.model_fields
    rows = [
        f"| `{name}` | {_default(fields[name].default)} | {fields[name].description} |"
        for name in _SHOWN_LIMITS
    ]
    return "\n".join(["| threshold | default | meaning |", "|---|---|---|", *rows])


def _default(value: float | bool) -> str:
    return str(value).lower() if isinstance(value, bool) else f"{value:,g}"


def main() -> None:
    """Rewrite the generated parts of the page."""
    PAGE.write_text(with_parts(PAGE.read_text(encoding="utf-8")), encoding="utf-8")


if __name__ == "__main__":
    main()
