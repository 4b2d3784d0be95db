"""Volumes of a fleet by account and month, as the panel that cases are judged in."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from rightsize.verify.panel import Array, Bools, Ints, Panel

LEAST_COVERED_SHARE: Final = 0.8
"""Least share of a month's days with reads for the month to count (ours)."""

MINUTES_PER_DAY: Final = 1440


@dataclass(frozen=True)
class AccountMonths:
    """Volumes of a fleet by account and month."""

    accounts: pl.Series
    months: tuple[dt.date, ...]  # first days, without a month left out
    panel: Panel
    days: Array  # [A, P] days with reads


def account_months(
    volumes: pl.DataFrame,
    history: pl.DataFrame,
    cases: pl.DataFrame,
    data_from: dt.date,
    data_to: dt.date,
    steady: pl.DataFrame | None = None,
    weather: pl.DataFrame | None = None,
) -> AccountMonths:
    """Panel of all accounts that have volumes or a change-out.

    An account with several meters has the sum of their volumes a day; a month counts if each of
    them has reads for four fifths of its days. `steady` has account_id, month, steady_gpm and
    day_count of accounts with a job, `weather` month and a column for each series.
    """
    months = tuple(
        pl.date_range(data_from.replace(day=1), data_to, "1mo", eager=True).to_list()
    )
    sums = (
        volumes.with_columns(
            (pl.col("month") + "-01").str.to_date().alias("first_day"),
        )
        .filter(pl.col("days_covered") > 0)
        .group_by("account_id", "first_day")
        .agg(
            (pl.col("registered_gal") / pl.col("days_covered")).sum().alias("gal_per_day"),
            pl.col("days_covered").min(),
        )
        .sort("account_id", "first_day")
    )
    ids = pl.concat([sums["account_id"], cases["account_id"]]).unique().sort()
    row_of = {account: row for row, account in enumerate(ids)}
    column_of = {month: column for column, month in enumerate(months)}
    rows = np.array([row_of[a] for a in sums["account_id"]], dtype=np.int64)
    columns = np.array([column_of.get(m, -1) for m in sums["first_day"]], dtype=np.int64)
    share = sums["days_covered"] / sums["first_day"].dt.month_end().dt.day()
    inside = columns >= 0
    volume, days = np.full((len(ids), len(months)), np.nan), np.zeros((len(ids), len(months)))
    days[rows[inside], columns[inside]] = sums["days_covered"].to_numpy()[inside]
    whole = inside & (share.to_numpy() >= LEAST_COVERED_SHARE)
    # A month in which the register ran backward as a whole is no volume to compare with.
    daily = sums["gal_per_day"].to_numpy()
    whole &= daily >= 0
    volume[rows[whole], columns[whole]] = daily[whole]
    is_kept = _kept(ids, history, cases, data_from)
    steady_gpm = None if steady is None else _steady(steady, row_of, column_of, volume.shape)
    panel = Panel(
        volume,
        _classes(ids, history),
        is_kept,
        None if steady_gpm is None else steady_gpm * MINUTES_PER_DAY,
        weather=None if weather is None else _weather(weather, months),
    )
    return AccountMonths(ids, months, panel, np.where(np.isfinite(volume), days, 0.0))


def _weather(weather: pl.DataFrame, months: tuple[dt.date, ...]) -> Array:
    """[P, Q] the series month by month; NaN where not known."""
    wanted = pl.DataFrame({"month": [f"{m:%Y-%m}" for m in months]})
    held = wanted.join(weather, on="month", how="left", maintain_order="left").drop("month")
    return held.cast(pl.Float64).fill_null(np.nan).to_numpy()


def _steady(
    steady: pl.DataFrame,
    row_of: dict[str, int],
    column_of: dict[dt.date, int],
    shape: tuple[int, ...],
) -> Array:
    """[A, P] steady flow of the accounts that it is known of; NaN for others [gpm]."""
    found = np.full(shape, np.nan)
    first_day = (steady["month"] + "-01").str.to_date()
    share = (steady["day_count"] / first_day.dt.month_end().dt.day()).to_numpy()
    for account, month, gpm, covered in zip(
        steady["account_id"], first_day, steady["steady_gpm"], share, strict=True
    ):
        if covered >= LEAST_COVERED_SHARE and account in row_of and month in column_of:
            found[row_of[account], column_of[month]] = gpm
    return found


def _classes(ids: pl.Series, history: pl.DataFrame) -> Ints:
    by_account = history.group_by("account_id").agg(
        pl.col("customer_class").drop_nulls().last().fill_null("unknown")
    )
    names = (
        pl.DataFrame({"account_id": ids})
        .join(by_account, on="account_id", how="left", maintain_order="left")["customer_class"]
        .fill_null("unknown")
    )
    return names.rank("dense").cast(pl.Int64).to_numpy()


def _kept(
    ids: pl.Series, history: pl.DataFrame, cases: pl.DataFrame, data_from: dt.date
) -> Bools:
    """Accounts whose meters were neither put in nor taken out nor repaired in all the time."""
    moved = history.filter(
        (pl.col("removed_on") >= data_from) | (pl.col("installed_on") >= data_from)
    )["account_id"]
    worked = cases.filter((pl.col("kind") != "test") & (pl.col("changed_on") >= data_from))
    others = pl.concat([moved, worked["account_id"]]).unique()
    return ~ids.is_in(others.to_list()).to_numpy()
