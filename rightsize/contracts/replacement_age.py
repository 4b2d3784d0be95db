"""When replacement in kind pays, by wear alone."""

from __future__ import annotations

from typing import Final

from rightsize.contracts.columns import ACCOUNT, METER, SWEEP_ID
from rightsize.contracts.table import Table, number, text
from rightsize.meter_types import METER_TYPES

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
