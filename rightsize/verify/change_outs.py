"""Change-outs from the meter history: which meter went, which came, and what kind of change."""

from __future__ import annotations

import datetime as dt
from typing import Final

import polars as pl

from rightsize.errors import ContractError

HISTORY_COLUMNS: Final = (
    "account_id", "meter_id", "meter_type", "size_in", "installed_on", "removed_on",
)  # fmt: skip

MOST_DAYS_APART: Final = 31
"""Longest time from a removal to the installation that takes its place [d] (common practice:
a service is not without a meter for longer than a billing month)."""


def change_outs(history: pl.DataFrame, *, data_from: dt.date, data_to: dt.date) -> pl.DataFrame:
    """Every change-out of a meter history, with its kind and any refusal.

    Parameters
    ----------
    history : frame
        One row a stay of a meter: `HISTORY_COLUMNS`; dates, null where not known. An optional
        `last_read_on` is the meter's last day with reads at any account.
    data_from, data_to : date
        First and last day that reads cover.

    Returns
    -------
    frame
        One row a change-out: account_id, removed_meter_id, meter_id, changed_on, kind,
        removed_type, removed_size_in, meter_type, size_in, code (null if it may be judged),
        in order of account, day and meter. Nothing is left out: a removal without a meter in
        its place is no change-out.

    Raises
    ------
    ContractError
        If a column is missing.
    """
    missing = sorted(set(HISTORY_COLUMNS) - set(history.columns))
    if missing:
        raise ContractError(f"meter history: column {missing[0]} is missing")
    pairs = _pairs(history)
    return (
        pairs.with_columns(kind=_kind(), code=_code(data_from, data_to))
        .drop("last_read_on", "back_on", "on_one_day")
        .sort("account_id", "changed_on", "removed_meter_id", "meter_id")
        .unique(["account_id", "removed_meter_id", "changed_on"], keep="first")
        .sort("account_id", "changed_on", "removed_meter_id")
    )


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
    per_day = pl.len().over("account_id", "installed_on")
    last_of_same = (pl.col("removed_meter_id") == pl.col("meter_id")).alias("back_on")
    return nearest.with_columns(
        last_of_same, changed_on=pl.col("installed_on"), on_one_day=per_day
    ).select(
        "account_id", "removed_meter_id", "meter_id", "removed_on", "changed_on",
        "removed_type", "removed_size_in", "meter_type", "size_in",
        "last_read_on", "back_on", "on_one_day",
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
    return (
        pl.when(pl.col("on_one_day") > 1)
        .then(pl.lit("two_on_one_day"))
        .when(~inside)
        .then(pl.lit("outside_data"))
        .when(has_late_reads.fill_null(False))
        .then(pl.lit("removed_meter_reads"))
        .otherwise(pl.lit(None, pl.String))
    )
