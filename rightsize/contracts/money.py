"""Money of a change: by year, on the customer's bill, and of replacement in kind."""

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
    text,
)
from rightsize.meter_types import METER_TYPES
from rightsize.settings import CUSTOMER_CLASSES

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

_NO_CHARGE: Final = "the tariff has no charge for one of the sizes"

BILL_IMPACT: Final = Table(
    name="bill_impact",
    meaning="Bill of an average month before and after each change, base charge included, and a"
    " notice to the customer.",
    grain="one row per sweep and meter to change",
    key=("sweep_id", "account_id", "meter_id"),
    columns=(
        SWEEP_ID,
        ACCOUNT,
        METER,
        text("customer_class", "customer class", allowed=CUSTOMER_CLASSES),
        *(
            number(f"{season}_bill_{when}_usd", meaning, null="allowed", null_means=_NO_CHARGE)
            for season, months in (
                ("winter", "month outside the tariff's summer_months"),
                ("summer", "month of the tariff's summer_months"),
                ("year", "month of the year"),
            )
            for when, meaning in (
                ("before", f"bill of an average {months}, as metered now"),
                (
                    "after",
                    f"the same with the new meter, before any leak is repaired: {months}",
                ),
            )
        ),
        number(
            "base_charge_before_usd",
            "base charge of a month, now",
            null="allowed",
            null_means=_NO_CHARGE,
        ),
        number(
            "base_charge_after_usd",
            "base charge of a month, with the new meter",
            null="allowed",
            null_means=_NO_CHARGE,
        ),
        number(
            "bill_change_pct",
            "change of the year's bill",
            null="allowed",
            null_means="no bill before, or no charge for one of the sizes",
        ),
        text("notice", "notice to the customer, without names"),
    ),
)

REPLACEMENT_AGE: Final = Table(
    name="replacement_age",
    meaning="Age at which replacing each meter by a new one of its kind pays, by wear alone.",
    grain="one row per sweep and assessed meter in service",
    key=("sweep_id", "account_id", "meter_id"),
    columns=(
        SWEEP_ID,
        ACCOUNT,
        METER,
        text("installed_type", "type of the meter in service", allowed=METER_TYPES),
        number("installed_size_in", "nominal size of the meter in service", low=0),
        text("installed_grade", "grade of the meter in service, as named in the catalog"),
        number("registered_gal_per_year", "volume registered, annualized", low=0),
        number(
            "throughput_hours",
            "hours a year in which its continuous rating would pass that volume",
            low=0,
        ),
        number(
            "age_years",
            "age of the meter",
            null="allowed",
            null_means="meters.csv gives no installation date",
        ),
        number("wear_pct", "accuracy lost a year, percentage points", low=0),
        number(
            "wear_usd_per_year",
            "revenue lost more each year, at the price of the last gallons",
            low=0,
        ),
        number("renewal_cost_usd", "purchase and installation of a new one of its kind", low=0),
        number(
            "economic_age_years",
            "age of least level yearly cost of purchase and wear",
            null="allowed",
            null_means="beyond 60 years: wear alone never pays for a new meter",
            low=0,
        ),
        number("life_years", "life in the catalog: battery, electronics, upkeep", low=0),
        number(
            "years_left",
            "years to the economic age or the end of the life, whichever comes first; negative"
            " if overdue",
            null="allowed",
            null_means="the age is not known",
        ),
    ),
    is_detail=True,
)
