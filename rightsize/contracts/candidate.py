"""Catalog meters evaluated for each account."""

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
    meaning="Every catalog meter evaluated for the account's flows, and why it was rejected.",
    grain="one row per sweep, meter in service and catalog meter",
    key=("sweep_id", "account_id", "meter_id", "meter_type", "size_in", "grade"),
    columns=(
        SWEEP_ID,
        ACCOUNT,
        METER,
        text("meter_type", "type of the candidate", allowed=METER_TYPES),
        number("size_in", "nominal size of the candidate", low=0),
        text("grade", "grade of the candidate, as named in the catalog"),
        Column("is_installed", "boolean", "this is the meter in service"),
        Column(
            "feasible",
            "boolean",
            "it fails no constraint: it may be installed here and handles peak flow, sustained"
            " flow and head loss with the required probability",
        ),
        text(
            "rejected_because",
            "names of the constraints it failed; for a feasible meter, why it is not"
            " recommended: benefit_too_small, gain_too_small, payback_too_long, odds_of_benefit"
            " or less_benefit",
            null="allowed",
            null_means="the recommended meter",
        ),
        *interval_columns(
            "accuracy",
            "pct",
            "weighted accuracy at the account's actual flows: the volume it would register"
            " over the expected actual volume",
            low=0,
        ),
        *interval_columns("registered", "gal_per_year", "volume it would register", low=0),
        number(
            "net_benefit_usd_per_year",
            "net benefit of changing to it; 0 for the installed meter",
            null="allowed",
            null_means="not calculated",
        ),
        number("net_benefit_low_usd_per_year", "low end of the 90 % interval", null="allowed"),
        number(
            "net_benefit_high_usd_per_year", "high end of the 90 % interval", null="allowed"
        ),
        number(
            "net_present_value_usd",
            "net present value of changing to it, over its life",
            null="allowed",
        ),
        number("fixed_charge_change_usd_per_year", "change in base charge", null="allowed"),
        number(
            "change_cost_usd",
            "purchase price, installation and refitting; 0 for the installed meter",
            null="allowed",
            low=0,
        ),
        number(
            "worth_usd_per_year",
            "what the choice goes by: net benefit times probability of fit, less the expected"
            " cost of a meter that proves too small; 0 for the installed meter",
            null="allowed",
        ),
        number("odds_of_benefit", "probability of positive net benefit", null="allowed"),
        number(
            "odds_of_fit",
            "probability that it handles peak flow, sustained flow and head loss",
            null="allowed",
        ),
        number("head_loss_at_peak_psi", "head loss at peak flow", null="allowed", low=0),
        Column(
            "rank",
            "integer",
            "rank among feasible meters: the recommended one first, then the installed one and"
            " those that may be chosen, then the others, each group by worth (net benefit times"
            " probability of fit, less the expected cost of a meter that proves too small)",
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
            "feasible = ( coalesce( rejected_because , '' ) in ( '' , 'benefit_too_small' ,"
            " 'gain_too_small' , 'payback_too_long' , 'odds_of_benefit' , 'less_benefit' ) )",
        ),
    ),
    is_detail=True,
)
