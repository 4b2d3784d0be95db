"""The table of realized gains, and the reasons for which a change-out has none."""

from __future__ import annotations

from typing import Final

from rightsize.contracts.change_out_log import LOGGED_KINDS
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
