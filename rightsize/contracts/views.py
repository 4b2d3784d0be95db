"""Published views: what each shows, and what its own columns mean.

A view's statement is `sql/70_publish/<name>.sql`. Columns taken from a table keep that table's
meaning; `own` describes the others.
"""

from __future__ import annotations

from typing import Final

from rightsize.contracts.demand import MONTH_VOLUME
from rightsize.contracts.realised_gain import REALISED_GAIN
from rightsize.contracts.recommendation import RECOMMENDATION
from rightsize.contracts.results import (
    BILL_IMPACT,
    FINDING,
    GAIN_SAMPLE,
    REPLACEMENT_AGE,
    VALUE_OF_KNOWING,
)
from rightsize.contracts.sweeps import LANDED_FILE, PROFILE_SOURCE
from rightsize.contracts.table import View, latest_of
from rightsize.contracts.testing.test_program import METER_TEST_TABLES

_SUMS: Final = {
    "accounts": "accounts of the class, assessed or not",
    "meters": "meters in service",
    "meters_assessed": "meters with a verdict",
    "meters_fitting": "meters with verdict fits",
    "meters_oversized": "meters with verdict oversized",
    "meters_undersized": "meters with verdict undersized",
    "meters_wrong_type": "meters with verdict wrong_type",
    "meters_to_change": "meters with action change",
    "meters_to_log": "meters with action log_first",
    "meters_to_refer": "meters with action refer",
    "meters_not_assessed": "meters without a verdict",
    "volume_gain_gal_per_year": "total volume gain of meters with action change",
    "revenue_gain_usd_per_year": "total revenue gain of meters with action change",
    "net_benefit_usd_per_year": "total net benefit of meters with action change",
    "net_benefit_low_usd_per_year": "low end of the 90 % range of that total",
    "net_benefit_high_usd_per_year": "high end of the 90 % range of that total",
    "change_cost_usd": "total cost of meters with action change",
    "unproven_net_benefit_usd_per_year": "total net benefit of meters with action log_first",
}

_TOTALS: Final = {
    "scope": "scope of the total: fleet, verdict, class or area",
    "name": "verdict, class or area",
    "changes": "meters with action change",
    **{
        f"{stem}{end}_{unit}": meaning + words
        for stem, unit, meaning in (
            ("volume_gain", "gal_per_year", "extra registered volume of all these changes"),
            ("revenue_gain", "usd_per_year", "extra volumetric charges of all these changes"),
            ("net_benefit", "usd_per_year", "net benefit of all these changes"),
        )
        for end, words in (
            ("", ", expected"),
            ("_low", ", low end of the 90 % range of the total"),
            ("_high", ", high end of the 90 % range of the total"),
        )
    },
}

_CHANGES: Final = {
    "change": "what changed: verdict, action, recommended meter, new, gone",
    "previous_sweep_id": "previous sweep",
    "previous_verdict": "verdict in the previous sweep",
    "previous_action": "action in the previous sweep",
    "previous_recommended_type": "recommended type in the previous sweep",
    "previous_recommended_size_in": "recommended nominal size in the previous sweep",
    "previous_net_benefit_usd_per_year": "net benefit in the previous sweep",
    "has_new_reads": "the meter's reads differ from the previous sweep",
    "has_meter_change": "meter, type or size differs from the previous sweep",
    "has_config_change": "configuration, tariff, thresholds or class priors differ",
    "has_catalogue_change": "the meter catalog differs",
    "has_code_change": "the version of rightsize differs",
    "why": "possible causes of the change; fleet-wide causes are listed for every account",
    "is_settled": "verdict and action equal the settled ones",
}

_RESULTS: Final = {
    "removed_type": "type of the meter taken out, from a kept sweep; null if none knew it",
    "removed_size_in": "nominal size of the meter taken out; null if no kept sweep knew it",
    "standing": "judged, too_young (too few reads since the change), set_aside (something else"
    " happened), refused (the data do not allow an answer)",
    "came": "gain, loss, or not_shown: the 90 % range includes nothing; null if not judged",
    "against_promise": "short: the whole range lies below the promise; more: above it; held:"
    " the promise lies in the range; null without promise or gain",
    **{
        f"promised_gain{end}_pct": f"promised gain as a share of the use before{words}"
        for end, words in (("", ""), ("_low", ", low end"), ("_high", ", high end"))
    },
    **{
        f"realised_to_date{end}_{unit}": meaning + words
        for unit, meaning in (
            ("gal", "gain over the days with reads since the change"),
            ("usd", "that volume at the volumetric price of the promise, or of the class"),
        )
        for end, words in (
            ("", ""),
            ("_low", ", low end of the 90 % range"),
            ("_high", ", high end of the 90 % range"),
        )
    },
}

_RESULT_TOTALS: Final = {
    "scope": "scope of the total: all, kind, type, size or class of the meter put in",
    "name": "kind, type, nominal size or class",
    "change_outs": "change-outs",
    "judged": "of which a gain is told",
    "too_young": "too few reads since the change",
    "set_aside": "something else happened: no gain can be told",
    "refused": "the data do not allow an answer",
    "gains": "judged with the 90 % range above nothing",
    "losses": "judged with the 90 % range below nothing",
    "promises": "judged with a promise from before the change",
    "promises_short": "promises that lie above the whole 90 % range of what came",
    "promised_gain_gal_per_year": "promised to those with a promise and a gain, in total",
    "realised_of_promised_gal_per_year": "what came of those with a promise, in total",
    "realised_gain_gal_per_year": "what came of all that are judged, in total",
    "realised_gain_low_gal_per_year": "low end of the 90 % range of that total, cases taken as"
    " independent",
    "realised_gain_high_gal_per_year": "high end of the 90 % range of that total",
    "realised_to_date_gal": "gain over the days with reads since each change, in total",
    "realised_to_date_usd": "that volume in money, in total",
    "realised_to_date_low_usd": "low end of the 90 % range of that total, cases taken as"
    " independent",
    "realised_to_date_high_usd": "high end of the 90 % range of that total",
}

VIEWS: Final[tuple[View, ...]] = (
    View(
        "latest_recommendation",
        "Recommendations of the latest sweep, for every meter in service.",
        "one row per meter in service",
        (RECOMMENDATION,),
        {},
    ),
    View(
        "flagged_account",
        "Meters that do not suit their demand in the latest sweep, by net benefit.",
        "one row per meter with verdict oversized, undersized or wrong_type",
        (RECOMMENDATION,),
        {"is_settled": _CHANGES["is_settled"]},
    ),
    View(
        "latest_finding",
        "Findings of the latest sweep, most serious first, with customer and address.",
        "one row per meter and code",
        (FINDING, RECOMMENDATION),
        {},
    ),
    View(
        "account_month",
        "Registered volume of each account by month, latest sweep: the first"
        " check against bills.",
        "one row per account and local month; the newest 13",
        (MONTH_VOLUME,),
        {
            "meters": "meters in service at the account in the month",
            "days_covered": "days of reads, of the meter with the fewest",
        },
    ),
    View(
        "changed_since_previous_sweep",
        "Meters whose verdict, action or recommended meter changed since the previous sweep,"
        " and why.",
        "one row per changed meter in service in either sweep",
        (RECOMMENDATION,),
        _CHANGES,
    ),
    View(
        "fleet_total",
        "Total gain of all changes of the latest sweep, with the range of the total.",
        "one row per total: the fleet, a verdict, a class, an area",
        (GAIN_SAMPLE,),
        _TOTALS,
    ),
    View(
        "class_summary",
        "The latest sweep by customer class: verdicts, actions and expected benefits.",
        "one row per customer class",
        (RECOMMENDATION,),
        _SUMS,
    ),
    View(
        "revenue_at_stake",
        "Flagged meters of the latest sweep by revenue gain, with running totals.",
        "one row per flagged meter with a revenue gain above 0",
        (RECOMMENDATION,),
        {
            "place": "rank by revenue gain; 1 is the largest",
            "running_revenue_gain_usd_per_year": "cumulative revenue gain down to this rank",
            "running_revenue_share": "cumulative share of the revenue gain of all flagged"
            " meters",
        },
    ),
    View(
        "change_out_result",
        "What came of each change-out against what was promised.",
        "one row per change-out, repair or test",
        (REALISED_GAIN, RECOMMENDATION),
        _RESULTS,
    ),
    View(
        "change_out_total",
        "What change-outs brought in total, with money to date and cases that cannot be told.",
        "one row per total: all, a kind, a type, a size, a class",
        (REALISED_GAIN,),
        _RESULT_TOTALS,
    ),
    View(
        "bill_impact_by_class",
        "Bills before and after the changes of the latest sweep, by customer class.",
        "one row per customer class with changes",
        (BILL_IMPACT,),
        {
            "changes": "meters with action change",
            "bill_change_pct": "change of the class's bills together",
            "largest_bill_change_pct": "largest rise of a bill",
            "bills_up_a_fifth": "bills that rise by more than 20 %",
        },
    ),
    View(
        "replacement_age_by_type",
        "Age at which meters of the latest sweep pay for their replacement in kind, by type,"
        " size and throughput.",
        "one row per type, size and class of throughput",
        (REPLACEMENT_AGE,),
        {
            "throughput": "light (below 50 hours a year at the continuous rating), usual, or"
            " heavy (250 and more)",
            "meters": "meters in service",
            "throughput_hours": "median hours a year at the continuous rating",
            "wear_usd_per_year": "median revenue lost more each year",
            "economic_age_years": "median economic age, of the meters that have one",
            "age_years": "median age, of the meters whose age is known",
            "meters_overdue": "meters past their economic age or life",
        },
    ),
    View(
        "what_to_learn_next",
        "Meters of the latest sweep at which a log, a test or finer reads are worth more than"
        " they cost, with the best kind of each.",
        "one row per meter",
        (VALUE_OF_KNOWING, RECOMMENDATION),
        {},
    ),
    *(latest_of(table) for table in METER_TEST_TABLES),
    View(
        "recommendation_source",
        "Profile months and landed files behind each recommendation.",
        "one row per sweep, meter, profile month and landed file of its bucket",
        (RECOMMENDATION, PROFILE_SOURCE, LANDED_FILE),
        {},
    ),
)
