"""What to do about each installed meter, and what it brings."""

from __future__ import annotations

from typing import Final

from rightsize.contracts.columns import ACCOUNT, ACTIONS, METER, SWEEP_ID, VERDICTS
from rightsize.contracts.same_estimate import SAME_ESTIMATE
from rightsize.contracts.table import (
    Column,
    Nullability,
    Rule,
    Table,
    count,
    interval_columns,
    interval_rule,
    number,
    text,
)
from rightsize.meter_types import METER_TYPES
from rightsize.settings import CUSTOMER_CLASSES, SERVICE_KINDS

_NA: Final[Nullability] = "not_assessed"

_RECOMMENDATION_COLUMNS: Final[tuple[Column, ...]] = (
    SWEEP_ID,
    ACCOUNT,
    METER,
    text("customer_name", "customer, where meters.csv names one", null="allowed"),
    text("area", "district or route, where meters.csv names one", null="allowed"),
    text("service_address", "street address, where meters.csv names one", null="allowed"),
    text("customer_class", "class of use", allowed=CUSTOMER_CLASSES),
    text(
        "service_kind",
        "what the line serves",
        null="allowed",
        null_means="meters.csv does not say",
        allowed=SERVICE_KINDS,
    ),
    text("installed_type", "type of the meter in service", null=_NA, allowed=METER_TYPES),
    number("installed_size_in", "nominal size of the meter in service", null=_NA, low=0),
    text(
        "installed_grade", "grade of the meter in service, as the catalogue says it", null=_NA
    ),
    text("verdict", "how the installed meter suits the demand", allowed=VERDICTS),
    text(
        "action",
        "what to do: change the meter, keep it, log the site first, or refer it to a person",
        allowed=ACTIONS,
    ),
    text(
        "recommended_type",
        "type to have in service; the installed one where action is keep",
        null="allowed",
        null_means="nothing can be recommended",
        allowed=METER_TYPES,
    ),
    number(
        "recommended_size_in",
        "nominal size to have in service",
        null="allowed",
        null_means="nothing can be recommended",
        low=0,
    ),
    text(
        "recommended_grade",
        "grade to have in service",
        null="allowed",
        null_means="nothing can be recommended",
    ),
    number(
        "installed_registered_gal_per_year",
        "volume the installed meter registers, brought to a year",
        null=_NA,
        low=0,
    ),
    number("expected_actual_gal_per_year", "volume that passed, expected", null=_NA, low=0),
    number(
        "recommended_registered_gal_per_year",
        "installed_registered_gal_per_year plus volume_gain_gal_per_year",
        null=_NA,
    ),
    number(
        "installed_accuracy_pct",
        "registered over actual volume of the installed meter:"
        " installed_registered_gal_per_year over expected_actual_gal_per_year",
        null=_NA,
        low=0,
    ),
    number(
        "recommended_accuracy_pct",
        "the same for the recommended meter, on the same actual flows",
        null="allowed",
        null_means="nothing can be recommended",
        low=0,
    ),
    *interval_columns(
        "accuracy_gain",
        "pct",
        "recommended less installed accuracy, percentage points: the volume gain over the"
        " actual volume",
        null=_NA,
    ),
    *interval_columns(
        "volume_gain",
        "gal_per_year",
        "volume registered more with the recommended meter",
        null=_NA,
    ),
    number(
        "bill_usd_per_year",
        "bill of a year as metered: water, sewer and base charge",
        null="allowed",
        null_means="not assessed, or the tariff has no charge for the installed size",
    ),
    number(
        "recommended_bill_usd_per_year",
        "the same with the recommended meter: plus revenue gain and base-charge change",
        null="allowed",
        null_means="not assessed, or the tariff has no charge for the installed size",
    ),
    *interval_columns(
        "revenue_gain",
        "usd_per_year",
        "billed more for water and sewer, before meter cost and base charge",
        null=_NA,
    ),
    *interval_columns(
        "net_benefit",
        "usd_per_year",
        "revenue gain, less renewal gain, plus the base charge lost (one gained is not"
        " counted), less the annual cost",
        null=_NA,
    ),
    number(
        "renewal_gain_usd_per_year",
        "part of the revenue gain that renewing the installed meter in kind at the end of its"
        " life would bring without the change, spread over the life of the new one",
        null=_NA,
    ),
    number(
        "net_present_value_usd",
        "present value of the change over the life of the recommended meter: net benefit times"
        " its annuity factor at the tariff's discount rate",
        null=_NA,
    ),
    number(
        "payback_years",
        "cost of the change over its yearly cash (revenue gain, base charge lost, upkeep),"
        " without interest",
        null="allowed",
        null_means="no change, or it never pays back",
        low=0,
    ),
    number(
        "fixed_charge_change_usd_per_year",
        "base charge after less before, as it follows meter size; counted in the net benefit"
        " only where it falls",
        null=_NA,
    ),
    number(
        "change_cost_usd",
        "price of the recommended meter, its installation and refitting; 0 where it is the"
        " installed one",
        null=_NA,
        low=0,
    ),
    number(
        "annual_cost_usd_per_year",
        "cost of the change spread over the meter's life, with the change in upkeep, less the"
        " credit for the renewal it spares; 0 where there is no change",
        null="allowed",
    ),
    *interval_columns(
        "peak_10s", "gpm", "10 s flow exceeded 0.001 % of the time", null=_NA, low=0
    ),
    *interval_columns(
        "peak_1min", "gpm", "1 min flow exceeded 0.001 % of the time", null="allowed", low=0
    ),
    number(
        "peak_60min_gpm",
        "largest 60 min mean read",
        null="allowed",
        null_means="no full hour was read: reads are longer",
        low=0,
    ),
    number(
        "sustained_60min_gpm", "60 min mean exceeded 0.5 % of the time", null="allowed", low=0
    ),
    number(
        "low_flow_share",
        "share of actual volume below the installed meter's normal minimum flow",
        null=_NA,
    ),
    number(
        "unseen_share_of_gain",
        "share of the volume gain that rests on flow the installed meter cannot see",
        null="allowed",
        null_means="no gain",
    ),
    number(
        "expected_value_of_logging_usd",
        "expected gain of a two-week log less its cost",
        null="allowed",
        null_means="not worked out",
    ),
    number(
        "odds_of_benefit",
        "odds that the net benefit is positive; where the installed meter is recommended, those"
        " of the runner-up, 0 without one",
        null=_NA,
    ),
    number(
        "odds_of_fit",
        "odds that peak, sustained flow and head loss fit the recommended meter",
        null=_NA,
    ),
    number(
        "odds_of_undersized",
        "odds that the installed meter is run above its ratings",
        null="allowed",
    ),
    number(
        "head_loss_at_peak_psi",
        "head loss of the recommended meter at the peak",
        null="allowed",
        low=0,
    ),
    number("spare_head_psi", "head the site can spare", null="allowed", low=0),
    number(
        "installed_continuous_gpm",
        "continuous rating of the installed meter",
        null="allowed",
        low=0,
    ),
    number(
        "installed_smoc_gpm",
        "safe maximum operating capacity of the installed meter",
        null="allowed",
        low=0,
    ),
    text(
        "runner_up",
        "feasible meter of most net benefit beside the recommended and the installed one, in"
        " words, e.g. 1.5 in ultrasonic",
        null="allowed",
        null_means="no other meter fits",
    ),
    text("runner_up_type", "its type", null="allowed", allowed=METER_TYPES),
    number("runner_up_size_in", "its nominal size", null="allowed", low=0),
    text("runner_up_grade", "its grade", null="allowed"),
    number("runner_up_net_benefit_usd_per_year", "its net benefit", null="allowed"),
    number(
        "days_covered",
        "days' worth of intervals with a read behind the verdict",
        null="allowed",
        low=0,
    ),
    text("reason", "the verdict in one sentence with its numbers"),
    text(
        "settled_verdict",
        "verdict after damping: one that only new reads moved counts once a sweep repeats it",
        allowed=VERDICTS,
        origin="publish",
    ),
    text("settled_action", "action after the same damping", allowed=ACTIONS, origin="publish"),
    count(
        "sweeps_held",
        "sweeps in a row, this one included, with this verdict, action and recommended meter",
        origin="publish",
    ),
)

RECOMMENDATION: Final = Table(
    name="recommendation",
    meaning="What each installed meter is to its demand, what to install and what it brings.",
    grain="one row a sweep and account; one a meter where several are in service",
    key=("sweep_id", "account_id", "meter_id"),
    columns=_RECOMMENDATION_COLUMNS,
    rules=(
        *SAME_ESTIMATE,
        interval_rule("accuracy_gain", "pct"),
        interval_rule("volume_gain", "gal_per_year"),
        interval_rule("revenue_gain", "usd_per_year"),
        interval_rule("net_benefit", "usd_per_year"),
        interval_rule("peak_10s", "gpm"),
        interval_rule("peak_1min", "gpm"),
        Rule(
            "change_names_a_meter",
            "action <> 'change' or ( recommended_type is not null"
            " and recommended_size_in is not null )",
        ),
        Rule(
            "fire_lines_are_never_changed",
            "coalesce(service_kind, 'unknown') not in ('fire', 'combined')"
            " or action <> 'change'",
        ),
    ),
)
