"""The catalogue meters held against each account's flows."""

from __future__ import annotations

from typing import Final

from rightsize.contracts.columns import ACCOUNT, METER, SWEEP_ID
from rightsize.contracts.table import (
    Column,
    Rule,
    Table,
    interval_columns,
    interval_rule,
    number,
    text,
)
from rightsize.meter_types import METER_TYPES

CANDIDATE: Final = Table(
    name="candidate",
    meaning="Every catalogue meter held against the account's flows, and why it fell out.",
    grain="one row a sweep, meter in service and catalogue meter",
    key=("sweep_id", "account_id", "meter_id", "meter_type", "size_in", "grade"),
    columns=(
        SWEEP_ID,
        ACCOUNT,
        METER,
        text("meter_type", "type of the candidate", allowed=METER_TYPES),
        number("size_in", "nominal size of the candidate", low=0),
        text("grade", "grade of the candidate, as the catalogue says it"),
        Column("is_installed", "boolean", "this is the meter in service"),
        Column(
            "feasible",
            "boolean",
            "it breaks no rule: it may be installed here and carries peak, sustained flow and"
            " head loss with the odds asked for",
        ),
        text(
            "rejected_because",
            "names of the rules it broke; of a feasible meter why it is not the choice:"
            " odds_of_benefit or less_benefit",
            null="allowed",
            null_means="the meter to have in service",
        ),
        *interval_columns(
            "accuracy",
            "pct",
            "registered over actual volume on the account's actual flows: the volume it would"
            " register over the actual volume expected",
            low=0,
        ),
        *interval_columns("registered", "gal_per_year", "volume it would register", low=0),
        number(
            "net_benefit_usd_per_year",
            "net benefit of changing to it; 0 for the installed meter",
            null="allowed",
            null_means="not worked out",
        ),
        number("net_benefit_low_usd_per_year", "low end of the 90 % interval", null="allowed"),
        number(
            "net_benefit_high_usd_per_year", "high end of the 90 % interval", null="allowed"
        ),
        number(
            "net_present_value_usd",
            "present value of changing to it over its life",
            null="allowed",
        ),
        number(
            "fixed_charge_change_usd_per_year", "base charge with it less now", null="allowed"
        ),
        number(
            "change_cost_usd",
            "price, installation and refitting; 0 for the installed meter",
            null="allowed",
            low=0,
        ),
        number("odds_of_benefit", "odds that its net benefit is positive", null="allowed"),
        number(
            "odds_of_fit", "odds that peak, sustained flow and head loss fit", null="allowed"
        ),
        number("head_loss_at_peak_psi", "head loss at the peak", null="allowed", low=0),
        Column(
            "rank",
            "integer",
            "place among the feasible, 1 the best: first the installed meter and those that"
            " pass the odds asked for (all, where it is undersized), then the others, each"
            " part by net benefit",
            "allowed",
            "not feasible",
            low=1,
        ),
    ),
    rules=(
        interval_rule("accuracy", "pct"),
        interval_rule("registered", "gal_per_year"),
        interval_rule("net_benefit", "usd_per_year"),
        Rule("feasible_ones_rank", "feasible = ( rank is not null )"),
        Rule(
            "feasible_breaks_no_rule",
            "feasible = ( coalesce( rejected_because , '' ) in ( '' , 'odds_of_benefit' ,"
            " 'less_benefit' ) )",
        ),
    ),
    is_detail=True,
)
