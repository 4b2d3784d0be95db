"""Rows of the table realised_gain: change-outs, what came of them, and what was promised."""

from __future__ import annotations

import datetime as dt
from typing import Final

import numpy as np
import polars as pl

from rightsize.contracts.frames import as_block
from rightsize.contracts.realised_gain import REALISED_GAIN
from rightsize.verify.calibration import INTERVAL_REACH, Promises
from rightsize.verify.leaks.persistence import columns as steady_columns
from rightsize.verify.leaks.persistence import persistence
from rightsize.verify.logged import MENDED
from rightsize.verify.months import MINUTES_PER_DAY, AccountMonths, account_months
from rightsize.verify.panel import MONTHS, Array, Cases, cases_at
from rightsize.verify.realised import Realised, realised

PROMISE_COLUMNS: Final = (
    "promised_sweep_id", "promised_gain_gal_per_year", "promised_gain_low_gal_per_year",
    "promised_gain_high_gal_per_year", "missed_inferred_gal_per_year",
    "promised_correction_factor",
)  # fmt: skip


def realised_gain_rows(
    cases: pl.DataFrame,
    volumes: pl.DataFrame,
    history: pl.DataFrame,
    promises: pl.DataFrame,
    *,
    data_from: dt.date,
    data_to: dt.date,
    steady: pl.DataFrame | None = None,
    weather: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """Every job with its promise, its gain or its code.

    Parameters
    ----------
    cases : frame
        As `change_outs` makes them.
    volumes : frame
        account_id, meter_id, month (`2025-01`), days_covered, registered_gal.
    history : frame
        Meter history as `change_outs` takes it, with customer_class.
    promises : frame
        account_id, meter_id (of the meter to be removed), promised_type, promised_size_in,
        promised_at (UTC) and `PROMISE_COLUMNS`: each sweep that recommended a change.
    data_from, data_to : date
        First and last day of reads.
    steady : frame, optional
        Steady flow of accounts with a job: account_id, month, steady_gpm, day_count.
    weather : frame, optional
        month, and a column for each series; null where it is not known.
    """
    if cases.is_empty():
        return as_block(_in_contract(_blank(cases)), REALISED_GAIN)
    fleet = account_months(volumes, history, cases, data_from, data_to, steady, weather)
    told = _told(cases, fleet)
    return as_block(_in_contract(_with_promises(told, promises)), REALISED_GAIN)


def _in_contract(rows: pl.DataFrame) -> pl.DataFrame:
    return rows.select(n for n in REALISED_GAIN.column_names if n in rows.columns)


def _told(cases: pl.DataFrame, fleet: AccountMonths) -> pl.DataFrame:
    """The cases with what came of those that are not refused already."""
    row_of = {account: row for row, account in enumerate(fleet.accounts)}
    account = np.array([row_of[a] for a in cases["account_id"]], dtype=np.int64)
    change = np.array([_month_at(d, fleet.months[0]) for d in cases["changed_on"]])
    windows = cases_at(
        account,
        change,
        periods=len(fleet.months),
        most_before=MONTHS.most_before,
        is_test=(cases["kind"] == "test").to_numpy(),
    )
    open_cases = cases["code"].is_null().to_numpy()
    judged = windows.take(open_cases)
    said = realised(fleet.panel, judged, MONTHS)
    found = _frame(cases.filter(open_cases), said, judged, fleet.days)
    if fleet.panel.steady_gal_per_day is not None:
        own = fleet.panel.steady_gal_per_day[judged.account] / MINUTES_PER_DAY
        left = steady_columns(persistence(own, judged), said.code)
        found = found.with_columns(pl.Series(n, v).fill_nan(None) for n, v in left.items())
    return pl.concat([_blank(cases.filter(~open_cases)), found], how="diagonal_relaxed")


def _month_at(day: dt.date, first: dt.date) -> int:
    return 12 * (day.year - first.year) + day.month - first.month


def _frame(cases: pl.DataFrame, said: Realised, judged: Cases, days: Array) -> pl.DataFrame:
    own = days[judged.account]
    periods = own.shape[1]
    values = {
        "realised_gain_gal_per_year": said.gain_gal_per_year,
        "realised_gain_low_gal_per_year": said.gain_low_gal_per_year,
        "realised_gain_high_gal_per_year": said.gain_high_gal_per_year,
        "realised_gain_pct": 100 * said.gain_share,
        "realised_gain_low_pct": 100 * said.gain_low_share,
        "realised_gain_high_pct": 100 * said.gain_high_share,
    }
    return cases.with_columns(
        *(pl.Series(name, v).fill_nan(None) for name, v in values.items()),
        pl.Series("code", said.code, dtype=pl.String),
        pl.Series("days_before", (own * judged.before(periods)).sum(axis=1)),
        pl.Series("days_after", (own * judged.after(periods)).sum(axis=1)),
        pl.Series("matched_accounts", said.control_count),
        pl.Series("is_weather_adjusted", said.is_weather_adjusted),
    )


def _blank(cases: pl.DataFrame) -> pl.DataFrame:
    return cases.with_columns(
        days_before=0.0, days_after=0.0, matched_accounts=0, is_weather_adjusted=False
    )


def _with_promises(cases: pl.DataFrame, promises: pl.DataFrame) -> pl.DataFrame:
    """The newest promise from before the change that named the meter which was put in."""
    kept = (
        cases.filter(~pl.col("kind").is_in(MENDED))
        .select("account_id", "removed_meter_id", "changed_on", "meter_type", "size_in")
        .join(
            promises,
            left_on=["account_id", "removed_meter_id", "meter_type", "size_in"],
            right_on=["account_id", "meter_id", "promised_type", "promised_size_in"],
        )
        .filter(pl.col("promised_at").dt.date() <= pl.col("changed_on"))
        .sort("promised_at")
        .unique(["account_id", "removed_meter_id", "changed_on"], keep="last")
        .select("account_id", "removed_meter_id", "changed_on", *PROMISE_COLUMNS)
    )
    is_new = ~pl.col("kind").is_in(MENDED)
    held = cases.filter(is_new).join(
        kept, on=["account_id", "removed_meter_id", "changed_on"], how="left"
    )
    return pl.concat([held, cases.filter(~is_new)], how="diagonal").sort(
        "account_id", "changed_on", "removed_meter_id", "kind"
    )


def promises_of(rows: pl.DataFrame) -> Promises:
    """Change-outs of the table realised_gain that have both a promise and a gain, as shares.

    Notes
    -----
    The error is that of a normal distribution with the row's interval; with 20 controls that
    is 5 % more than the error itself (Student's t), on the safe side.
    """
    held = rows.drop_nulls(
        [
            "promised_gain_gal_per_year", "promised_gain_low_gal_per_year",
            "promised_gain_high_gal_per_year", "realised_gain_pct",
        ]
    )  # fmt: skip
    width_gal = held["realised_gain_high_gal_per_year"] - held["realised_gain_low_gal_per_year"]
    width_share = (held["realised_gain_high_pct"] - held["realised_gain_low_pct"]) / 100
    base_gal_per_year = (width_gal / width_share).to_numpy()
    return Promises(
        promised_share=held["promised_gain_gal_per_year"].to_numpy() / base_gal_per_year,
        promised_low_share=held["promised_gain_low_gal_per_year"].to_numpy()
        / base_gal_per_year,
        promised_high_share=held["promised_gain_high_gal_per_year"].to_numpy()
        / base_gal_per_year,
        realised_share=held["realised_gain_pct"].to_numpy() / 100,
        realised_error=width_share.to_numpy() / (2 * INTERVAL_REACH),
    )
