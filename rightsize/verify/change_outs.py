"""Change-outs, repairs and tests: from the meter history, and from the log of jobs."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Final

import polars as pl

from rightsize.contracts.change_outs.job_frame import LOGGED_SCHEMA
from rightsize.errors import ContractError
from rightsize.verify.logged import MOST_DAYS_APART, Merged, merged

HISTORY_COLUMNS: Final = (
    "account_id", "meter_id", "meter_type", "size_in", "installed_on", "removed_on",
)  # fmt: skip


@dataclass(frozen=True)
class Jobs:
    """Every job, and the rows of the log that are left out.

    `cases` has one row a job: account_id, removed_meter_id, meter_id, changed_on, kind,
    record, removed_type, removed_size_in, meter_type, size_in, code (null if it may be
    judged), in order of account, day and meter. `left_out` has rule and the log's columns.
    """

    cases: pl.DataFrame
    left_out: pl.DataFrame


def change_outs(
    history: pl.DataFrame,
    log: pl.DataFrame | None = None,
    *,
    data_from: dt.date,
    data_to: dt.date,
) -> Jobs:
    """Every change-out of a meter history and every job of a log, with any refusal.

    Parameters
    ----------
    history : frame
        One row a stay of a meter: `HISTORY_COLUMNS`; dates, null where not known. An optional
        `last_read_on` is the meter's last day with reads at any account.
    log : frame, optional
        Columns of `LOGGED_SCHEMA`.
    data_from, data_to : date
        First and last day that reads cover.

    Returns
    -------
    Jobs
        Nothing is left out but what `left_out` names: a removal without a meter in its place is
        no change-out.

    Raises
    ------
    ContractError
        If a column is missing.
    """
    missing = sorted(set(HISTORY_COLUMNS) - set(history.columns))
    if missing:
        raise ContractError(f"meter history: column {missing[0]} is missing")
    pairs = (
        _pairs(history)
        .with_columns(kind=_kind())
        .sort("account_id", "changed_on", "removed_meter_id", "meter_id")
        .unique(["account_id", "removed_meter_id", "changed_on"], keep="first")
    )
    logged = pl.DataFrame(schema=LOGGED_SCHEMA) if log is None else log
    found: Merged = merged(pairs, logged, history)
    cases = (
        found.cases.with_columns(code=_code(data_from, data_to))
        .drop("last_read_on", "back_on", "removed_on")
        .sort("account_id", "changed_on", "removed_meter_id", "kind")
    )
    return Jobs(cases, found.left_out)


def _pairs(history: pl.DataFrame) -> pl.DataFrame:
    """Removed and installed meter of each change-out: the nearest installation follows."""
    if "last_read_on" not in history.columns:
        history = history.with_columns(last_read_on=pl.lit(None, pl.Date))
    removed = history.filter(pl.col("removed_on").is_not_null()).select(
        "account_id", "removed_on", "last_read_on",
        removed_meter_id="meter_id", removed_type="meter_type", removed_size_in="size_in",
        was_installed_on="installed_on",
    )  # fmt: skip
    installed = history.filter(pl.col("installed_on").is_not_null()).select(
        "account_id", "meter_id", "meter_type", "size_in", "installed_on"
    )
    days = (pl.col("installed_on") - pl.col("removed_on")).dt.total_days()
    joined = (
        removed.join(installed, on="account_id")
        .filter(days.is_between(0, MOST_DAYS_APART))
        .filter(
            pl.col("was_installed_on").is_null()
            | (pl.col("was_installed_on") < pl.col("installed_on"))
        )
    )
    nearest = joined.filter(
        pl.col("installed_on")
        == pl.col("installed_on").min().over("account_id", "removed_meter_id", "removed_on")
    )
    last_of_same = (pl.col("removed_meter_id") == pl.col("meter_id")).alias("back_on")
    return nearest.with_columns(last_of_same, changed_on=pl.col("installed_on")).select(
        "account_id", "removed_meter_id", "meter_id", "removed_on", "changed_on",
        "removed_type", "removed_size_in", "meter_type", "size_in",
        "last_read_on", "back_on",
    )  # fmt: skip


def _kind() -> pl.Expr:
    is_type = pl.col("removed_type").ne_missing(pl.col("meter_type"))
    is_size = pl.col("removed_size_in").ne_missing(pl.col("size_in"))
    return (
        pl.when(pl.col("back_on"))
        .then(pl.lit("other"))
        .when(is_type & is_size)
        .then(pl.lit("type_and_size"))
        .when(is_type)
        .then(pl.lit("type"))
        .when(is_size)
        .then(pl.lit("size"))
        .otherwise(pl.lit("like_for_like"))
    )


def _code(data_from: dt.date, data_to: dt.date) -> pl.Expr:
    inside = pl.col("changed_on").is_between(data_from, data_to, closed="none")
    has_late_reads = ~pl.col("back_on") & (pl.col("last_read_on") > pl.col("removed_on"))
    # A test changes no meter: it puts no other job in doubt, but others put it in doubt.
    is_work = pl.col("kind") != "test"
    others_of_day = is_work.sum().over("account_id", "changed_on") - is_work.cast(pl.Int64)
    month = pl.col("changed_on").dt.truncate("1mo")
    others_of_month = is_work.sum().over("account_id", month) - is_work.cast(pl.Int64)
    return (
        pl.when(others_of_day > 0)
        .then(pl.lit("two_on_one_day"))
        .when(~inside)
        .then(pl.lit("outside_data"))
        .when(has_late_reads.fill_null(False))
        .then(pl.lit("removed_meter_reads"))
        .when(others_of_month > 0)
        .then(pl.lit("two_in_one_month"))
        .otherwise(pl.lit(None, pl.String))
    )
