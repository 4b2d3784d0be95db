"""Meters in service with what a test of each costs, and what it may win back."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence

import numpy as np
import polars as pl

from rightsize.meter_tests.due import DAYS_PER_YEAR
from rightsize.meter_tests.outcome import NOT_REPAIRED
from rightsize.meters.catalogue import Meter
from rightsize.meters.service_tests import TestSchedule
from rightsize.meters.testing_settings import MeterTestSettings
from rightsize.recommend.ageing import (
    LARGEST_LOSS_SHARE,
    economic_age,
    hours_at_rating,
    last_price,
)
from rightsize.recommend.economics import rate_class_of, rate_steps
from rightsize.recommend.horizon import annuity_factor
from rightsize.settings import Tariff, Thresholds

IN_PLACE_TYPES = ("turbine", "compound", "propeller", "fire_service")
"""Types that are tested in place at any size (F.A.C. 25-30.263(4), read)."""


def service_frame(
    listed: pl.DataFrame,
    meters: Sequence[Meter],
    *,
    as_of: dt.date,
    settings: MeterTestSettings,
    schedule: TestSchedule,
    tariff: Tariff,
    thresholds: Thresholds,
) -> pl.DataFrame:
    """Meters in service as `due.due_frame` takes them.

    Parameters
    ----------
    listed : frame
        One row a meter: meter_type, size_in, meter_index (null if it is not rated),
        installed_on, last_tested_on (null if not recorded), customer_class, service_kind,
        registered_gal_per_year (null if not known), action (of the latest sweep, or null).

    Returns
    -------
    frame
        `listed` with as_of, interval_years, place (bench or field), test_cost_usd, repair_usd
        (null if it is not repaired), renewal_usd, life_years, left_years, usd_per_gal,
        hours_per_year, limit_hours, oldest_years, act_cost_usd and middle_gain_usd.
    """
    told = listed.join(
        _of_kind(meters, settings, thresholds), on="meter_index", how="left",
        maintain_order="left", nulls_equal=False,
    )  # fmt: skip
    told = _with_schedule(told, settings, schedule).with_columns(as_of=pl.lit(as_of))
    told = told.with_columns(usd_per_gal=pl.Series(_prices(told, tariff)))
    gal = told["registered_gal_per_year"].cast(pl.Float64).fill_null(0.0).to_numpy()
    continuous = told["continuous_gpm"].fill_null(float("nan")).to_numpy()
    told = told.with_columns(
        hours_per_year=pl.Series(hours_at_rating(gal, continuous)).fill_nan(None)
    )
    return _with_money(told, tariff.discount_rate_pct)


def _of_kind(
    meters: Sequence[Meter], settings: MeterTestSettings, thresholds: Thresholds
) -> pl.DataFrame:
    """Prices, life and wear of each catalog meter."""
    rows = []
    for index, meter in enumerate(meters):
        hours = thresholds.wear_pct_per_1000_hours.get(meter.meter_type, 0.0)
        is_repaired = (
            meter.size_in >= settings.repair_min_in and meter.meter_type not in NOT_REPAIRED
        )
        renewal = meter.purchase_usd + meter.install_usd
        work = meter.install_usd / 2  # taken out and set again: half of an installation
        rows.append(
            {
                "meter_index": index,
                "continuous_gpm": meter.continuous_gpm,
                "life_years": meter.life_years,
                "renewal_usd": renewal,
                "repair_usd": settings.repair_price_share * meter.price_usd + work
                if is_repaired
                else None,
                "wear_per_year": thresholds.wear_pct_per_year.get(meter.meter_type, 0.0) / 100,
                "wear_per_hour": hours / 1e5,
                "limit_hours": 1000 * settings.throughput_loss_pct / hours if hours else None,
            }
        )
    numbers = dict.fromkeys(("repair_usd", "limit_hours"), pl.Float64)
    return pl.DataFrame(rows, schema_overrides={"meter_index": pl.Int64, **numbers})


def _with_schedule(
    told: pl.DataFrame, settings: MeterTestSettings, schedule: TestSchedule
) -> pl.DataFrame:
    sizes = told["size_in"].unique().to_list()
    own: Mapping[float, float] = settings.interval_years
    years = {size: own.get(size, schedule.years(size)) for size in sizes}
    in_place = (pl.col("size_in") >= settings.field_test_min_in) | pl.col("meter_type").is_in(
        IN_PLACE_TYPES
    )
    return told.with_columns(
        interval_years=pl.col("size_in").replace_strict(years, return_dtype=pl.Float64),
        place=pl.when(in_place).then(pl.lit("field")).otherwise(pl.lit("bench")),
        test_cost_usd=pl.when(in_place)
        .then(settings.field_test_usd)
        .otherwise(settings.bench_test_usd),
    )


def _prices(told: pl.DataFrame, tariff: Tariff) -> np.ndarray:
    """Price of the last gallons of each account [USD/gal]."""
    classes = tuple(told["customer_class"].fill_null("unknown"))
    kinds = tuple(told["service_kind"].fill_null("unknown"))
    rates = rate_steps(tariff, rate_class_of(tariff, classes, kinds))
    gal = told["registered_gal_per_year"].cast(pl.Float64).fill_null(0.0).to_numpy()
    return np.asarray(last_price(rates, np.maximum(gal, 1.0)[None, :])[0], dtype=np.float64)


def _with_money(told: pl.DataFrame, rate_pct: float) -> pl.DataFrame:
    """What acting on a test wins at the middle rate of wear, and what acting costs."""
    life = told["life_years"].fill_null(float("nan")).to_numpy()
    since = pl.max_horizontal("installed_on", "last_tested_on")
    frame = told.select(
        age=(pl.col("as_of") - pl.col("installed_on")).dt.total_days() / DAYS_PER_YEAR,
        since=(pl.col("as_of") - since).dt.total_days() / DAYS_PER_YEAR,
    ).fill_null(float("nan"))
    age, worn = frame["age"].to_numpy(), frame["since"].to_numpy()
    worn = np.maximum(np.where(np.isfinite(worn), worn, life / 2), 0.0)
    left = np.maximum(life - np.where(np.isfinite(age), age, life / 2), 1.0)
    gal = told["registered_gal_per_year"].cast(pl.Float64).fill_null(0.0).to_numpy()
    hours = told["hours_per_year"].fill_null(0.0).to_numpy()
    yearly = told["wear_per_year"].fill_null(0.0).to_numpy()
    yearly = yearly + told["wear_per_hour"].fill_null(0.0).to_numpy() * hours
    yearly = np.fmin(yearly, LARGEST_LOSS_SHARE / np.fmax(life, 1.0))
    usd = yearly * gal * told["usd_per_gal"].to_numpy()
    renewal = told["renewal_usd"].fill_null(float("nan")).to_numpy()
    repair = told["repair_usd"].fill_null(float("inf")).to_numpy()
    sooner = renewal * annuity_factor(left, rate_pct) / annuity_factor(life, rate_pct)
    run = np.minimum(told["interval_years"].to_numpy(), left)
    best = economic_age(renewal, usd, rate_pct)
    return told.with_columns(
        left_years=pl.Series(left).fill_nan(None),
        oldest_years=pl.Series(np.fmin(best, life)).fill_nan(None),
        act_cost_usd=pl.Series(np.fmin(repair, sooner)).fill_nan(None),
        middle_gain_usd=pl.Series(usd * worn * annuity_factor(run, rate_pct)).fill_nan(None),
    )
