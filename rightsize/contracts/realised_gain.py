"""The table of realized gains, and the reasons for which a change-out has none."""

from __future__ import annotations

from typing import Final

from rightsize.contracts.change_outs.job_log import LOGGED_KINDS
from rightsize.contracts.table import (
    Column,
    Rule,
    Table,
    count,
    interval_columns,
    interval_rule,
    number,
    text,
)

CHANGE_KINDS: Final = (*LOGGED_KINDS, "other")
"""What a job changed; `other` is the same meter put back without a log that says why."""

LEFT_AFTER_MONTHS: Final = (3, 6, 12, 36)
"""Months after a change-out at which newly seen steady flow is looked at again."""

RECORDS: Final = ("meter_list", "log", "both")
"""Where a change-out is recorded."""

REFUSED: Final[dict[str, str]] = {
    "outside_data": "the change is not inside the time that reads cover",
    "two_on_one_day": "the account has two change-outs on one day",
    "two_in_one_month": "another meter job at the account lies in the same month",
    "removed_meter_reads": "the removed meter has reads after its removal",
    "too_few_periods_before": "too few periods of reads before the change",
    "too_few_periods_after": "too few periods of reads after the change: too young to say",
    "too_few_controls": "too few accounts of the class kept their meter and match",
}
"""Refusals: what the data do not allow to be answered."""

SET_ASIDE: Final[dict[str, str]] = {
    "multiplier": "volume after the change is a multiple as of a wrong multiplier or unit",
    "vacancy": "the account stood next to unused for weeks",
    "leak_repaired": "steady flow fell away: a repaired leak",
    "change_of_use": "use moved to another level at another time than the change",
}
"""Non-routine events (IPMVP's term, from memory): no gain can be told from them. First wins."""

NO_GAIN_CODES: Final[dict[str, str]] = REFUSED | SET_ASIDE
"""Every reason for which a change-out has no realized gain, with its meaning."""

_LOW_FLOW: Final = (
    number(
        "low_flow_limit_gpm",
        "normal minimum flow of the meter taken out: below it a flow counts as low",
        null="allowed",
        null_means="the meter stays, or its ratings are not known",
        low=0,
    ),
    number(
        "missed_inferred_gal_per_year",
        "volume that the meter taken out did not register, as the sweep of the promise"
        " inferred it: nearly all of it below that flow",
        null="allowed",
        null_means="no promise",
    ),
    number(
        "low_flow_before_gal_per_year",
        "volume registered before the change in intervals whose average is below that flow",
        null="allowed",
        null_means="too few reads",
        low=0,
    ),
    number(
        "low_flow_after_gal_per_year",
        "the same after the change, in the same season where possible",
        null="allowed",
        null_means="too few reads",
        low=0,
    ),
)

_STEADY: Final = (
    number(
        "steady_before_gpm",
        "flow that ran day and night in the months before the change",
        null="allowed",
        null_means="too few reads",
        low=0,
    ),
    number(
        "steady_new_gpm",
        "flow beyond that in the first whole month after the change",
        null="allowed",
        null_means="none, or no more than months scatter",
        low=0,
    ),
    *(
        number(
            f"steady_left_{months}_months_share",
            f"share of the new steady flow that is there {months} months after the change",
            null="allowed",
            null_means="no new steady flow, or not that long ago",
        )
        for months in LEFT_AFTER_MONTHS
    ),
)

LEAK_PERSISTENCE: Final = Table(
    name="leak_persistence",
    meaning="How much of the steady flow that new meters made visible is still there later.",
    grain="one row a number of months after a change-out",
    key=("months_after",),
    columns=(
        count("months_after", "months after the change-out"),
        count("case_count", "change-outs with new steady flow that are that old"),
        number("new_gpm", "their new steady flow together", low=0),
        number(
            "left_share",
            "share of it still there",
            null="allowed",
            null_means="too few change-outs",
        ),
        number("left_low_share", "low end of the 90 % interval", null="allowed"),
        number("left_high_share", "high end of the 90 % interval", null="allowed"),
    ),
    rules=(interval_rule("left", "share"),),
    has_history=False,
)

REALISED_GAIN: Final = Table(
    name="realised_gain",
    meaning="Gain of past change-outs, repairs and tests against what was promised.",
    grain="one row a change-out, repair or test",
    key=("account_id", "removed_meter_id", "changed_on", "kind"),
    columns=(
        text("account_id", "account"),
        text("removed_meter_id", "meter taken out, repaired or tested"),
        text("meter_id", "meter put in; the same one if it stays"),
        Column("changed_on", "date", "day of the change-out, repair or test"),
        text(
            "kind",
            "what was changed or done; other: the same meter put back",
            allowed=CHANGE_KINDS,
        ),
        text("record", "where the job is recorded", allowed=RECORDS),
        text(
            "code",
            "why no gain can be told",
            null="allowed",
            null_means="a gain is told",
            allowed=tuple(NO_GAIN_CODES),
        ),
        text(
            "promised_sweep_id",
            "sweep whose promise is held",
            null="allowed",
            null_means="no sweep before the change recommended the meter that was put in",
        ),
        number(
            "promised_correction_factor",
            "factor by which earlier change-outs had corrected that promise",
            null="allowed",
            null_means="no promise, or from a sweep that did not record it",
            low=0,
        ),
        *interval_columns(
            "promised_gain", "gal_per_year", "volume gain that was promised", null="allowed"
        ),
        *interval_columns(
            "realised_gain", "gal_per_year", "volume gain that came", null="allowed"
        ),
        *interval_columns(
            "realised_gain", "pct", "gain that came, of what was expected", null="allowed"
        ),
        number("days_before", "days of reads before the change", low=0),
        number("days_after", "days of reads after the change", low=0),
        count("matched_accounts", "accounts that kept their meter and served as the measure"),
        Column(
            "is_weather_adjusted",
            "boolean",
            "whether accounts' own answers to the weather series are taken into account",
        ),
        *_LOW_FLOW,
        *_STEADY,
    ),
    rules=(
        interval_rule("promised_gain", "gal_per_year"),
        interval_rule("realised_gain", "gal_per_year"),
        Rule(
            "realised_gain_pct_lies_between_its_ends",
            "realised_gain_low_pct <= realised_gain_pct"
            " and realised_gain_pct <= realised_gain_high_pct",
        ),
        Rule("a_gain_or_a_code", "realised_gain_pct is null or code is null"),
    ),
    has_history=False,
)
