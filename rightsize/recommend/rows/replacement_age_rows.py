"""Rows of `replacement_age`: when replacement in kind pays, by wear alone, for each meter."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from rightsize.inference.samples import mean
from rightsize.meters.arrays import meter_arrays
from rightsize.recommend.ageing import economic_age, hours_at_rating, last_price, yearly_loss
from rightsize.recommend.case import Case
from rightsize.recommend.economics import RateSteps
from rightsize.recommend.rows.row_columns import meter_columns
from rightsize.recommend.weigh import BenefitSamples

Array = NDArray[np.float64]


def replacement_age_frame(
    case: Case, rows: slice, rates: RateSteps, samples: BenefitSamples
) -> pl.DataFrame:
    """One row for each assessed meter in service."""
    held, index = meter_arrays(case.catalogue.meters), case.meter_index[rows]
    at = np.arange(len(index))
    gal = mean(samples.installed_gal)
    loss = yearly_loss(case.wear, held, gal)[at, index]
    usd = mean(last_price(rates, samples.installed_gal) * samples.installed_gal) * loss
    cost = (held.price_usd + held.register_usd + held.install_usd)[index]
    age = np.asarray(case.sites.age_years[rows], dtype=np.float64)
    best = economic_age(cost, usd, case.discount_rate_pct)
    life = held.life_years[index]
    frame = pl.DataFrame(
        {
            "account_id": pl.Series(case.block.account_id[rows], dtype=pl.String),
            "meter_id": pl.Series(case.block.meter_id[rows], dtype=pl.String),
            **meter_columns(case, "installed", index),
            "registered_gal_per_year": gal,
            "throughput_hours": hours_at_rating(gal, held.continuous_gpm[index]),
            "age_years": age,
            "wear_pct": 100 * loss,
            "wear_usd_per_year": usd,
            "renewal_cost_usd": cost,
            "economic_age_years": best,
            "life_years": life,
            "years_left": np.fmin(best, life) - age,
        }
    )
    judged = pl.Series(case.refused.is_assessed[rows])
    return frame.with_columns(pl.col(pl.Float64).fill_nan(None)).filter(judged)
