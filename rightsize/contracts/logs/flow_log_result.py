"""Every landed flow log: how it agrees with the register, and what it changed."""

from __future__ import annotations

from typing import Final

from rightsize.contracts.columns import ACTIONS, SWEEP_ID
from rightsize.contracts.table import Column, Table, count, number, text
from rightsize.findings import LOG_REFUSALS

_UNUSED: Final = "the log is not used, or its account is not assessed"

FLOW_LOG_RESULT: Final = Table(
    name="flow_log_result",
    meaning="Flow logs that came back: agreement with the register, and what each changed.",
    grain="one row per sweep and landed log",
    key=("sweep_id", "log_hash"),
    columns=(
        SWEEP_ID,
        text("log_hash", "content hash of the log, and of how it was read"),
        text("log_file", "file path"),
        text("account_id", "account", null="allowed", null_means="the meter is not known"),
        text("meter_id", "meter that was logged", null="allowed", null_means="not known"),
        text(
            "measures",
            "what the logger measures: pulses of the installed meter, or the flow in the pipe",
            allowed=("meter", "pipe"),
        ),
        number("step_s", "length of a sample in seconds", low=0),
        Column("first_at", "timestamp", "start of the first sample", "allowed"),
        Column("last_at", "timestamp", "start of the last sample", "allowed"),
        number("logged_days", "days of samples, without those that the logger missed", low=0),
        count("rows_landed", "rows of the file"),
        count("rows_accepted", "rows accepted, including missed samples"),
        count("rows_rejected", "rows rejected, each with its rule in `rejected_read`"),
        count("rows_missing", "accepted rows without a value: the logger missed the sample"),
        number("compared_days", "days that log and reads have in common", low=0),
        number("log_gal", "logged volume in these days", null="allowed", low=0),
        number("register_gal", "registered volume in these days", null="allowed", low=0),
        number(
            "register_over_log_share",
            "registered over logged volume",
            null="allowed",
            low=0,
            high=1e9,
        ),
        number(
            "least_expected_share", "the least that the meter's curve and both errors allow",
            null="allowed", low=0, high=10,
        ),
        number(
            "most_expected_share", "the most that they allow", null="allowed", low=0, high=10
        ),
        number(
            "correlation",
            "of interval volumes, habits of the day taken out",
            null="allowed",
            null_means="the flow hardly varies, or too few intervals",
            low=-1.0001,
            high=1.0001,
        ),
        Column("is_used", "boolean", "whether the log is used for its account"),
        text(
            "rule",
            "why it is not used",
            null="allowed",
            null_means="it is used",
            allowed=tuple(LOG_REFUSALS),
        ),
        text("message", "the result in one sentence, and what to do"),
        number("log_peak_gpm", "largest sample", null="allowed", low=0),
        number("log_hour_gpm", "largest hour", null="allowed", low=0),
        number("log_night_gpm", "steady flow at night", null="allowed", low=0),
        text(
            "action_before",
            "action without the log",
            null="allowed",
            null_means=_UNUSED,
            allowed=ACTIONS,
        ),
        text(
            "action_after",
            "action with it",
            null="allowed",
            null_means=_UNUSED,
            allowed=ACTIONS,
        ),
        text("meter_before", "meter to install without the log", null="allowed"),
        text("meter_after", "meter to install with it", null="allowed"),
        number("net_benefit_before_usd_per_year", "net benefit without it", null="allowed"),
        number("net_benefit_after_usd_per_year", "net benefit with it", null="allowed"),
        number("peak_before_gpm", "10 s peak without the log", null="allowed", low=0),
        number("peak_after_gpm", "10 s peak with it", null="allowed", low=0),
        number(
            "unseen_before_gal_per_year",
            "volume below the meter's starting flow, without the log",
            null="allowed",
            low=0,
        ),
        number("unseen_after_gal_per_year", "the same with it", null="allowed", low=0),
    ),
)  # fmt: skip
