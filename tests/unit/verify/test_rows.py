"""Rows of realised_gain from month volumes: gains, codes, and the promise that is held."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest

from rightsize.contracts.frames import violations
from rightsize.contracts.realised_gain import REALISED_GAIN
from rightsize.verify.change_outs import change_outs
from rightsize.verify.rows import realised_gain_rows

DAY = dt.date
MONTHS = [DAY(2024 + m // 12, m % 12 + 1, 1) for m in range(24)]
FROM, TO = MONTHS[0], DAY(2025, 12, 31)
CHANGED = DAY(2025, 3, 12)
GAIN = 0.10
PLANTED_WITHIN_PCT = 3.0  # months scatter by 2 %: 3 standard errors


def history(kept=40, changes=(("C", "old", "new", "turbine", "ultrasonic", CHANGED),)):
    long_ago = DAY(2010, 1, 1)
    rows = [(f"K{n}", f"K{n}", "turbine", 2.0, long_ago, None, None) for n in range(kept)]
    for account, old, new, old_type, new_type, day in changes:
        rows += [
            (account, old, old_type, 2.0, long_ago, day, day),
            (account, new, new_type, 2.0, day, None, TO),
        ]
    schema = {
        "account_id": pl.String, "meter_id": pl.String, "meter_type": pl.String,
        "size_in": pl.Float64, "installed_on": pl.Date, "removed_on": pl.Date,
        "last_read_on": pl.Date,
    }  # fmt: skip
    return pl.DataFrame(rows, schema=schema, orient="row").with_columns(
        customer_class=pl.lit("hotel")
    )


def volumes(stays, *, seed=1):
    """Months of every stay: one season for all, and 10 % more after a change."""
    rng = np.random.default_rng(seed)
    rows = []
    for stay in stays.iter_rows(named=True):
        for month in MONTHS:
            begins = max(month, stay["installed_on"])
            ends = min(month + dt.timedelta(days=31), stay["removed_on"] or DAY(2099, 1, 1))
            ends = min(ends, (month + dt.timedelta(days=31)).replace(day=1))
            days = (ends - begins).days
            if days > 0:
                more = 1 + GAIN * (stay["installed_on"] > FROM)
                daily = 1000 * more * (1 + 0.4 * np.sin(month.month)) * rng.normal(1, 0.02)
                rows.append(
                    (stay["account_id"], stay["meter_id"], f"{month:%Y-%m}", days, daily * days)
                )
    names = ("account_id", "meter_id", "month", "days_covered", "registered_gal")
    return pl.DataFrame(rows, schema=list(names), orient="row").with_columns(
        pl.col("days_covered").cast(pl.Float64)
    )


def promises(*rows):
    schema = {
        "account_id": pl.String, "meter_id": pl.String, "promised_type": pl.String,
        "promised_size_in": pl.Float64, "promised_at": pl.Datetime("us", "UTC"),
        "promised_sweep_id": pl.String, "promised_gain_gal_per_year": pl.Float64,
        "promised_gain_low_gal_per_year": pl.Float64,
        "promised_gain_high_gal_per_year": pl.Float64,
        "missed_inferred_gal_per_year": pl.Float64,
    }  # fmt: skip
    return pl.DataFrame(rows, schema=schema, orient="row")


def promise(sweep, at, gain, promised_type="ultrasonic"):
    at = dt.datetime.combine(at, dt.time(3), dt.UTC)
    return ("C", "old", promised_type, 2.0, at, sweep, gain, gain - 10, gain + 10, 70.0)


def rows(stays=None, made=None, held=None, log=None):
    stays = history() if stays is None else stays
    days = {"data_from": FROM, "data_to": TO}
    found = realised_gain_rows(
        change_outs(stays, log, **days).cases,
        volumes(stays) if made is None else made,
        stays,
        promises() if held is None else held,
        **days,
    )
    assert violations(found, REALISED_GAIN) == []
    return found


def test_a_planted_gain_comes_back_with_its_days_and_controls():
    """PLANTED: 10 % more from March 2025 on."""
    (row,) = rows().to_dicts()
    assert (row["account_id"], row["removed_meter_id"], row["meter_id"]) == ("C", "old", "new")
    assert (row["kind"], row["code"]) == ("type", None)
    assert row["realised_gain_pct"] == pytest.approx(100 * GAIN, abs=PLANTED_WITHIN_PCT)
    assert (
        row["realised_gain_low_pct"] < row["realised_gain_pct"] < row["realised_gain_high_pct"]
    )
    assert (row["days_before"], row["days_after"]) == (365, 275)
    assert row["matched_accounts"] == 20
    assert row["promised_sweep_id"] is None


def test_the_newest_promise_before_the_change_is_held_and_no_later_one():
    held = promises(
        promise("s1", DAY(2024, 6, 1), 100.0),
        promise("s2", DAY(2025, 2, 1), 200.0),
        promise("s3", DAY(2025, 4, 1), 300.0),
    )
    (row,) = rows(held=held).to_dicts()
    assert (row["promised_sweep_id"], row["promised_gain_gal_per_year"]) == ("s2", 200.0)


def test_a_promise_of_another_meter_is_not_held():
    (row,) = rows(held=promises(promise("s1", DAY(2024, 6, 1), 100.0, "compound"))).to_dicts()
    assert row["promised_sweep_id"] is None


@pytest.mark.parametrize(
    ("changed_on", "code"),
    [
        (DAY(2023, 5, 3), "outside_data"),
        (DAY(2024, 4, 3), "too_few_periods_before"),
        (DAY(2025, 10, 20), "too_few_periods_after"),
    ],
)
def test_a_change_too_early_or_too_late_has_a_code_and_no_gain(changed_on, code):
    stays = history(changes=[("C", "old", "new", "turbine", "ultrasonic", changed_on)])
    (row,) = rows(stays).to_dicts()
    assert (row["code"], row["realised_gain_pct"]) == (code, None)


def test_every_change_out_has_its_row():
    changes = [(f"C{n}", f"o{n}", f"n{n}", "turbine", "turbine", CHANGED) for n in range(5)]
    found = rows(history(changes=changes))
    assert found["account_id"].to_list() == [f"C{n}" for n in range(5)]
    assert set(found["kind"]) == {"like_for_like"}


def test_an_account_without_reads_has_a_code():
    stays = history()
    made = volumes(stays).filter(pl.col("account_id") != "C")
    (row,) = rows(stays, made).to_dicts()
    assert row["code"] == "too_few_periods_before"


def test_a_fleet_without_change_outs_has_no_rows():
    assert rows(history(changes=())).is_empty()


def test_the_order_of_volumes_changes_nothing():
    stays = history()
    assert rows(stays).equals(rows(stays, volumes(stays).reverse()))
