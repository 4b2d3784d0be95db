"""The log of change-outs: kinds of jobs, and rules for its rows."""

from __future__ import annotations

from typing import Final

LOGGED_KINDS: Final = ("type_and_size", "type", "size", "like_for_like", "repair", "test")
"""What a job did: another type or size, a new meter of the same type and size, a repair of the
meter that stays, or a test of it."""

LOG_RULES: Final[dict[str, str]] = {
    "too_many_columns": "more columns than the header",
    "date_missing": "no date",
    "account_missing": "no account",
    "meter_missing": "no meter ID",
    "what_missing": "it does not say what was done",
    "date_unreadable": "the date is not as configured",
    "what_unknown": "what was done is none of the known jobs",
    "account_unknown": "the account is not in the meter list",
    "meter_not_at_account": "neither meter is in the meter list at this account",
    "row_repeated": "the same job is on an earlier line",
    "rows_disagree": "an earlier line says another job of this meter and day",
    "differs_from_list": "the meter list has another kind of change for this meter and time",
}
"""Every rule that leaves a row of the log out, with its meaning, in the order of checking."""
