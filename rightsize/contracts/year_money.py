"""What each change costs and brings, year by year."""

from __future__ import annotations

from typing import Final

from rightsize.contracts.columns import ACCOUNT, METER, SWEEP_ID
from rightsize.contracts.table import (
    Rule,
    Table,
    count,
    interval_columns,
    interval_rule,
    number,
)

YEAR_MONEY: Final = Table(
    name="year_money",
    meaning="What each change costs and brings in each year of the new meter's life: the sum"
    " behind its net present value.",
    grain="one row per sweep, meter to change and year",
    key=("sweep_id", "account_id", "meter_id", "year"),
    columns=(
        SWEEP_ID,
        ACCOUNT,
        METER,
        count("year", "year after the change; 0 is the day of the change"),
        number("use_gain_usd", "revenue gain from use, registered more fully"),
        *interval_columns(
            "steady_gain",
            "usd",
            "revenue gain from steady flow below the old meter's start, such as a leak, as far"
            " as it still runs",
            low=0,
        ),
        number(
            "leak_adjustment_usd",
            "credited to customers for leaks repaired in the year; 0 or less",
            high=0,
        ),
        number(
            "avoided_water_usd",
            "what the utility saves on steady flow that no longer runs",
            low=0,
        ),
        number(
            "wear_gain_usd",
            "revenue that the old meter would have lost by wear, less what the new one loses",
        ),
        number(
            "renewal_gain_usd",
            "revenue that replacement in kind would have gained by then; counts against the"
            " change",
        ),
        number("base_charge_usd", "base charge lost by a smaller size; 0 or less", high=0),
        number("upkeep_usd", "O&M saved; negative if the new meter needs more"),
        number(
            "change_cost_usd",
            "purchase, installation and refitting, in year 0; 0 or less",
            high=0,
        ),
        number(
            "renewal_credit_usd",
            "credit for replacement in kind that is no longer due",
            low=0,
        ),
        number("net_usd", "sum of the year"),
        number(
            "present_value_usd",
            "present value of the sums up to and including the year; in the last year the net"
            " present value of the change",
        ),
    ),
    rules=(
        interval_rule("steady_gain", "usd"),
        Rule(
            "the_year_adds_up",
            "abs( use_gain_usd + steady_gain_usd + leak_adjustment_usd + avoided_water_usd"
            " + wear_gain_usd"
            " + renewal_gain_usd + base_charge_usd + upkeep_usd + change_cost_usd"
            " + renewal_credit_usd - net_usd ) <= 0.01 + 0.000001 * abs( use_gain_usd )",
        ),
    ),
    is_detail=True,
)
