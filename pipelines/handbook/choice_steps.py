"""The worked example rule by rule: what each rule looks at on the account, and what it says."""

from __future__ import annotations

from typing import Any

from rightsize.recommend.worked_example import PLACE_IN, STEADY_GAL, worked_example
from rightsize.settings import Thresholds


def step_rows() -> list[str]:
    """One row a rule, in the order of the decision."""
    limits = Thresholds.model_validate({})
    decision = worked_example().decision
    row = decision.recommendation.row(0, named=True)
    by_name = {
        (r["meter_type"], r["size_in"], r["grade"]): r
        for r in decision.candidate.iter_rows(named=True)
    }
    chosen = by_name[("displacement", 2.0, "standard")]
    small = by_name[("displacement", 1.5, "standard")]
    dear = by_name[("compound", 2.0, "standard")]
    steps = (
        *_before(row, limits),
        *_fit(row, small, chosen, limits),
        *_size(by_name),
        *_money(row, chosen, limits),
        *_which(chosen, dear, limits),
        *_end(row, limits),
    )
    return [
        "| step | rule | on this account | result |",
        "|---|---|---|---|",
        *(f"| {step} | {rule} | {seen} | {result} |" for step, rule, seen, result in steps),
    ]


Step = tuple[int, str, str, str]


def _before(row: dict[str, Any], limits: Thresholds) -> tuple[Step, ...]:
    return (
        (1, "enough data", f"{row['days_covered']:.0f} days of hourly reads", "assessed"),
        (
            1,
            "`fire_line_min_in`, `fire_line_sizes_above_meter`",
            "3 in line on a 3 in meter, fire arrangement not recorded",
            f"no fire gate: below {limits.fire_line_min_in:g} in, and no size above the meter",
        ),
        (
            1,
            "`leak_window_days`: a flow that began in the year",
            "the least hour of the day is none",
            "nothing is left out of the flows",
        ),
        (1, "service of its own kind, manifold", "domestic, one meter", "none"),
        (
            2,
            "`odds_of_undersized`",
            f"peak {row['peak_10s_gpm']:g} of 435 gpm, sustained"
            f" {row['sustained_60min_gpm']:g} of 217.5 gpm: probability of overload"
            f" {row['odds_of_undersized']:.2f}",
            "not undersized; no evidence for a larger meter is asked for",
        ),
    )


def _fit(
    row: dict[str, Any], small: dict[str, Any], chosen: dict[str, Any], limits: Thresholds
) -> tuple[Step, ...]:
    peak = row["peak_10s_gpm"]
    share = limits.design_peak_share
    return (
        (
            3,
            "`odds_of_fit`: `peak_over_smoc`",
            f"1 1/2 in: {small['odds_of_fit']:.2f} of the samples within 100 gpm; 2 in:"
            f" {chosen['odds_of_fit']:.2f} within 160 gpm",
            "1 1/2 in out, 2 in in",
        ),
        (
            3,
            "`design_peak_share`",
            f"{peak:g} gpm is {peak:.0f} % of the 1 1/2 in's SMOC,"
            f" {100 * peak / 160:.0f} % of the 2 in's; at most {100 * share:.0f} %",
            "1 1/2 in out, 2 in in",
        ),
        (
            3,
            "`head_loss`",
            f"2 in: meter {row['head_loss_at_peak_psi']:.1f} psi, with reducers from 3 in and"
            f" the double check {row['assembly_loss_at_peak_psi']:.1f} of"
            f" {row['spare_head_psi']:g} psi",
            "2 in in; at 110 gpm the 1 1/2 in would take too much",
        ),
    )


def _size(by_name: dict[tuple[str, float, str], dict[str, Any]]) -> tuple[Step, ...]:
    same, large = by_name[("turbine", 3.0, "new")], by_name[("compound", 4.0, "standard")]
    return (
        (3, "`replacement_by_age`", "new 3 in turbine", f"out: {same['rejected_because']}"),
        (
            3,
            "`larger_without_need`, `service_line`",
            "4 in compound: 500 of 435 gpm, on a 3 in line",
            f"out: {large['rejected_because']}",
        ),
    )


def _money(row: dict[str, Any], chosen: dict[str, Any], limits: Thresholds) -> tuple[Step, ...]:
    fitting = limits.fitting_usd_per_in * 3
    return (
        (
            4,
            "work at the site",
            f"recorded place {PLACE_IN:g} in, the 2 in displacement is 17 in long; line and"
            f" street are recorded: reducers and spool ${fitting:,.0f}",
            f"cost ${chosen['change_cost_usd']:,.0f}, nothing more is possible",
        ),
        (
            4,
            "tap and line, `capacity_charge_usd_per_equivalent`, `renewal_credit_share`",
            "the 2 in is no larger than its line and adds no capacity; the age of the old meter"
            " is not recorded",
            "no cost, no credit",
        ),
        (
            4,
            "`count_base_charge_loss`",
            f"full: ${-row['fixed_charge_change_usd_per_year']:,.0f} less per year",
            "counted for the meter's life",
        ),
        (
            4,
            "`leak_runs_after_3_months_share`, `_12_`, `_36_`",
            f"{STEADY_GAL:,.0f} gal of the volume run below the old meter's start:"
            f" ${row['steady_gain_usd_per_year']:,.0f} of the gain, of which repair takes"
            f" ${-row['leak_repair_usd_per_year']:,.0f} per year over the life",
            f"without it ${row['net_benefit_without_leak_usd_per_year']:,.0f} per year are"
            " left: no leak carries the change",
        ),
        (
            4,
            "`count_wear`",
            "counted here",
            f"-${-row['wear_gain_usd_per_year']:,.0f} per year",
        ),
    )


def _which(
    chosen: dict[str, Any], dear: dict[str, Any], limits: Thresholds
) -> tuple[Step, ...]:
    payback = worked_example().decision.recommendation["payback_years"][0]
    points = chosen["accuracy_pct"] - 100 * 900_000 / 1_140_000
    return (
        (
            5,
            "worth a visit: `min_net_benefit_usd_per_year`, `min_gain_points`,"
            " `max_payback_years`",
            f"2 in: ${chosen['net_benefit_usd_per_year']:,.0f} per year, {points:.1f} points,"
            f" {payback:.1f} years",
            "worth it",
        ),
        (
            5,
            "`odds_of_benefit`; `odds_of_costly_benefit` from `costly_change_usd`",
            f"2 in displacement {chosen['odds_of_benefit']:.2f}, asked"
            f" {limits.odds_of_benefit:g}; 2 in compound {dear['odds_of_benefit']:.2f}, asked"
            f" {limits.odds_of_costly_benefit:g}, as it costs ${dear['change_cost_usd']:,.0f};"
            f" of either {limits.odds_without_log:g} if no log is worth its trip",
            "a change is proven by the displacement",
        ),
        (
            6,
            "`odds_slack`, worth, `tie_band_share`",
            f"worth ${chosen['worth_usd_per_year']:,.0f} and"
            f" ${dear['worth_usd_per_year']:,.0f} per year: both may be chosen, and they are no"
            " tie",
            "2 in displacement",
        ),
    )


def _end(row: dict[str, Any], limits: Thresholds) -> tuple[Step, ...]:
    return (
        (
            7,
            "verdict",
            "the best is smaller, but no smaller turbine is in the catalog",
            row["verdict"].replace("_", " "),
        ),
        (
            8,
            "critical, stopped, fire, log first",
            f"none of them; `min_log_value_usd` ({limits.min_log_value_usd:,.0f}) is asked only"
            " where no change is proven",
            row["action"],
        ),
    )
