"""Flow that began and does not stop, with what it has cost at each account's rate."""

from __future__ import annotations

import numpy as np
import polars as pl

from rightsize.recommend.economics import rate_class_of, rate_steps
from rightsize.settings import Tariff

_DAYS_PER_YEAR = 365.0


def with_leaks(stat: pl.DataFrame, found: pl.DataFrame, tariff: Tariff) -> pl.DataFrame:
    """`stat` with begin, rate, volume and cost to date of flow that began; null where none did.

    Parameters
    ----------
    stat : frame, one row a meter in service
        meter_id, customer_class, service_kind, registered_gal [gal], days_covered [d].
    found : frame
        Flows that began, see `continuous_flow`.
    """
    told = stat.join(found, on="meter_id", how="left")
    return told.with_columns(leak_usd=_cost_usd(told, tariff)).with_columns(
        pl.when(pl.col("leak_gpm").is_not_null()).then(pl.col("leak_usd")).alias("leak_usd")
    )


def _cost_usd(told: pl.DataFrame, tariff: Tariff) -> pl.Series:
    """What a year's bill would be less without the leak's volume: at the highest steps."""
    kinds = tuple(told["service_kind"].fill_null("unknown"))
    steps = rate_steps(tariff, rate_class_of(tariff, tuple(told["customer_class"]), kinds))
    per_day = pl.when(pl.col("days_covered") > 0).then(
        pl.col("registered_gal") / pl.col("days_covered")
    )
    year_gal = told.select((per_day * _DAYS_PER_YEAR).cast(pl.Float64).fill_null(0.0))
    whole = np.maximum(year_gal.to_series().to_numpy(), 0.0)
    leak = told["leak_gal"].fill_null(0.0).to_numpy()
    bills = steps.bill_usd_per_year(np.stack([whole, np.maximum(whole - leak, 0.0)]))
    return pl.Series(bills[0] - bills[1], dtype=pl.Float64)
