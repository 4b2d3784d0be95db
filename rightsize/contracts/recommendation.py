"""What to do about each installed meter, and the expected benefit."""

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
    text("customer_name", "customer, from meters.csv", null="allowed"),
    text("area", "district or route, from meters.csv", null="allowed"),
    text("service_address", "street address, from meters.csv", null="allowed"),
    text("customer_class", "customer class", allowed=CUSTOMER_CLASSES),
    text(
        "service_kind",
        "type of service",
        null="allowed",
        null_means="not given in meters.csv",
        allowed=SERVICE_KINDS,
    ),
    text("installed_type", "type of the meter in service", null=_NA, allowed=METER_TYPES),
    number("installed_size_in", "nominal size of the meter in service", null=_NA, low=0),
    text("installed_grade", "grade of the meter in service, as named in the catalog", null=_NA),
    text("verdict", "how the installed meter suits the demand", allowed=VERDICTS),
    text(
        "action",
        "what to do: change the meter, keep it, log the site first, or refer it to"
        " engineering review",
        allowed=ACTIONS,
    ),
    text(
        "recommended_type",
        "recommended type; the installed one if action is keep",
        null="allowed",
        null_means="no meter can be recommended",
        allowed=METER_TYPES,
    ),
    number(
        "recommended_size_in",
        "recommended nominal size",
        null="allowed",
        null_means="no meter can be recommended",
        low=0,
    ),
    text(
        "recommended_grade",
        "recommended grade",
        null="allowed",
        null_means="no meter can be recommended",
    ),
    number(
        "installed_registered_gal_per_year",
        "volume registered by the installed meter, annualized",
        null=_NA,
        low=0,
    ),
    number(
        "expected_actual_gal_per_year",
        "expected actual volume through the meter",
        null=_NA,
        low=0,
    ),
    number(
        "recommended_registered_gal_per_year",
        "installed_registered_gal_per_year plus volume_gain_gal_per_year",
        null=_NA,
    ),
    number(
        "installed_accuracy_pct",
        "weighted accuracy of the installed meter:"
        " installed_registered_gal_per_year over expected_actual_gal_per_year",
        null=_NA,
        low=0,
    ),
    number(
        "recommended_accuracy_pct",
        "weighted accuracy of the recommended meter at the same flows",
        null="allowed",
        null_means="no meter can be recommended",
        low=0,
    ),
    *interval_columns(
        "accuracy_gain",
        "pct",
        "recommended minus installed weighted accuracy, percentage points: the volume gain"
        " over the actual volume",
        null=_NA,
    ),
    *interval_columns(
        "volume_gain",
        "gal_per_year",
        "additional volume registered by the recommended meter",
        null=_NA,
    ),
    number(
        "gain_correction_factor",
        "factor that past change-outs put on the gain (`correct_gains`); 1 without correction",
        null=_NA,
        low=0,
    ),
    number(
        "bill_usd_per_year",
        "annual bill as metered: water, sewer and base charge",
        null="allowed",
        null_means="not assessed, or the tariff has no charge for the installed size",
    ),
    number(
        "recommended_bill_usd_per_year",
        "the same with the recommended meter: plus revenue gain and change in base charge",
        null="allowed",
        null_means="not assessed, or the tariff has no charge for the installed size",
    ),
    *interval_columns(
        "revenue_gain",
        "usd_per_year",
        "additional water and sewer revenue, before meter cost and base charge",
        null=_NA,
    ),
    *interval_columns(
        "net_benefit",
        "usd_per_year",
        "revenue gain, minus renewal gain, minus any loss of base charge (a gain is not"
        " counted), minus the annualized cost of the change",
        null=_NA,
    ),
    number(
        "renewal_gain_usd_per_year",
        "part of the revenue gain that replacement in kind at the end of the installed meter's"
        " life would bring anyway, annualized over the life of the new meter",
        null=_NA,
    ),
    number(
        "net_present_value_usd",
        "net present value of the change over the life of the recommended meter: net benefit"
        " times its annuity factor at the tariff's discount rate",
        null=_NA,
    ),
    number(
        "payback_years",
        "simple payback period: cost of the change over its annual cash flow (revenue gain,"
        " loss of base charge, change in O&M), without interest",
        null="allowed",
        null_means="no change, or it never pays back",
        low=0,
    ),
    number(
        "fixed_charge_change_usd_per_year",
        "change in base charge due to meter size; counted in the net benefit only if it is a"
        " loss",
        null=_NA,
    ),
    number(
        "change_cost_usd",
        "purchase, installation and refitting of the recommended meter, with the expected part"
        " of possible_cost_usd; 0 if it is the installed one",
        null=_NA,
        low=0,
    ),
    number(
        "possible_cost_usd",
        "cost that what is not recorded of the site may add",
        null=_NA,
        low=0,
    ),
    number(
        "annual_cost_usd_per_year",
        "annualized cost of the change over the meter's life, including the change in O&M,"
        " minus the credit for the avoided replacement; 0 if there is no change",
        null="allowed",
    ),
    *interval_columns(
        "peak_10s", "gpm", "10-second peak flow, exceeded 0.001 % of the time", null=_NA, low=0
    ),
    *interval_columns(
        "peak_1min",
        "gpm",
        "1-minute peak flow, exceeded 0.001 % of the time",
        null="allowed",
        low=0,
    ),
    number(
        "peak_60min_gpm",
        "maximum hourly average flow in the reads",
        null="allowed",
        null_means="no full hour in the reads: read intervals are longer",
        low=0,
    ),
    number(
        "sustained_60min_gpm",
        "sustained flow: hourly average exceeded 0.5 % of the time",
        null="allowed",
        low=0,
    ),
    number(
        "low_flow_share",
        "share of actual volume below the installed meter's normal minimum flow",
        null=_NA,
    ),
    number(
        "unseen_share_of_gain",
        "share of the volume gain from flow below the installed meter's starting flow",
        null="allowed",
        null_means="no gain",
    ),
    number(
        "expected_value_of_logging_usd",
        "expected value of a two-week log, net of its cost",
        null="allowed",
        null_means="not calculated",
    ),
    number(
        "odds_of_benefit",
        "probability of positive net benefit; if the installed meter is recommended, that of"
        " the second-best meter, 0 without one",
        null=_NA,
    ),
    number(
        "odds_of_fit",
        "probability that the recommended meter handles peak flow, sustained flow and head"
        " loss",
        null=_NA,
    ),
    number(
        "odds_of_undersized",
        "probability that the installed meter runs above its ratings",
        null="allowed",
    ),
    number(
        "head_loss_at_peak_psi",
        "head loss of the recommended meter at peak flow",
        null="allowed",
        low=0,
    ),
    number(
        "assembly_loss_at_peak_psi",
        "the same of meter, strainer, reducers and recorded backflow assembly together, held"
        " against spare_head_psi",
        null="allowed",
        low=0,
    ),
    number("spare_head_psi", "available pressure drop at the site", null="allowed", low=0),
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
        "second-best meter: the feasible one with the highest net benefit apart from the"
        " recommended and the installed one, e.g. 1.5 in ultrasonic",
        null="allowed",
        null_means="no other meter fits",
    ),
    text(
        "runner_up_type", "type of the second-best meter", null="allowed", allowed=METER_TYPES
    ),
    number("runner_up_size_in", "nominal size of the second-best meter", null="allowed", low=0),
    text("runner_up_grade", "grade of the second-best meter", null="allowed"),
    number(
        "runner_up_net_benefit_usd_per_year",
        "net benefit of the second-best meter",
        null="allowed",
    ),
    number(
        "days_covered",
        "days of reads behind the verdict",
        null="allowed",
        low=0,
    ),
    text("reason", "the verdict in one sentence, with figures"),
    text(
        "settled_verdict",
        "verdict after damping: a change due to new reads alone counts once a second sweep"
        " confirms it",
        allowed=VERDICTS,
        origin="publish",
    ),
    text("settled_action", "action after the same damping", allowed=ACTIONS, origin="publish"),
    count(
        "sweeps_held",
        "consecutive sweeps, including this one, with this verdict, action and meter",
        origin="publish",
    ),
)

RECOMMENDATION: Final = Table(
    name="recommendation",
    meaning="How each installed meter suits its demand, what to install, and the expected"
    " benefit.",
    grain="one row per sweep and account; one per meter if several are in service",
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
