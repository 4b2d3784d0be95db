"""Rules that keep accuracy, volume and money of a recommendation consistent in each row.

Every figure is a mean over the same samples, and a ratio is a ratio of such means: so accuracy
times actual volume is the volume that the meter registers, and gains add up to totals. A mean
of ratios would be larger, the more so the less is known of the actual volume, and no volume
follows from it.
"""

from __future__ import annotations

from typing import Final

from rightsize.contracts.table import Rule

# Tolerance of a thousandth of a point, and for money in single precision.
SAME_ESTIMATE: Final = (
    Rule(
        "accuracy_is_registered_over_actual_volume",
        "abs( installed_accuracy_pct * expected_actual_gal_per_year"
        " - 100 * installed_registered_gal_per_year ) <= 0.001 * expected_actual_gal_per_year",
    ),
    Rule(
        "accuracy_gain_is_recommended_less_installed",
        "abs( recommended_accuracy_pct - installed_accuracy_pct - accuracy_gain_pct ) <= 0.001",
    ),
    Rule(
        "accuracy_gain_is_volume_gain_over_actual_volume",
        "abs( accuracy_gain_pct * expected_actual_gal_per_year"
        " - 100 * volume_gain_gal_per_year ) <= 0.001 * expected_actual_gal_per_year",
    ),
    Rule(
        "volume_gain_is_recommended_less_registered",
        "abs( recommended_registered_gal_per_year - installed_registered_gal_per_year"
        " - volume_gain_gal_per_year ) <= 0.00001 * expected_actual_gal_per_year",
    ),
    Rule(
        "bills_differ_by_the_gain",
        "abs( recommended_bill_usd_per_year - bill_usd_per_year - revenue_gain_usd_per_year"
        " - fixed_charge_change_usd_per_year ) <= 0.01 + 0.000001 * bill_usd_per_year",
    ),
    Rule(
        "revenue_gain_is_use_and_steady_flow",
        "abs( use_gain_usd_per_year + steady_gain_usd_per_year - revenue_gain_usd_per_year )"
        " <= 0.01 + 0.000001 * abs( revenue_gain_usd_per_year )",
    ),
    Rule(
        "net_benefit_is_what_is_left",
        "abs( revenue_gain_usd_per_year + leak_repair_usd_per_year"
        " + wear_gain_usd_per_year - renewal_gain_usd_per_year"
        " + base_charge_loss_usd_per_year - annual_cost_usd_per_year"
        " - net_benefit_usd_per_year ) <= 0.01 + 0.000001 * ( abs( revenue_gain_usd_per_year )"
        " + annual_cost_usd_per_year + bill_usd_per_year )",
    ),
)
