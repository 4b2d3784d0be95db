"""Rows of `bill_impact`: bills before and after each change, and a notice to the customer."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from rightsize.inference.samples import mean
from rightsize.recommend.bill_impact import SeasonBills, season_bills
from rightsize.recommend.case import Case
from rightsize.recommend.choice import Choice
from rightsize.recommend.economics import rate_class_of
from rightsize.recommend.rows.row_columns import samples_at_meter
from rightsize.recommend.weigh import BenefitSamples
from rightsize.settings import Tariff
from rightsize.wording import Wording

Array = NDArray[np.float64]
Index = NDArray[np.int64]


def bill_impact_frame(
    case: Case, rows: slice, samples: BenefitSamples, choice: Choice
) -> pl.DataFrame:
    """One row for each change."""
    account = np.flatnonzero(choice.action == "change")
    old, new = case.meter_index[rows][account], choice.chosen[account]
    after_gal = mean(samples_at_meter(samples.registered_gal, choice.chosen))[account]
    charge = case.costs.fixed_charge_usd_per_year
    before = _bills(case, rows, account, mean(samples.installed_gal)[account], charge[old])
    after = _bills(case, rows, account, after_gal, charge[new])
    kind = np.array(case.sites.customer_class[rows], dtype=np.str_)[account]
    with np.errstate(divide="ignore", invalid="ignore"):
        change = (after.year_usd / before.year_usd - 1) * 100
    columns: dict[str, Any] = {
        "account_id": pl.Series(_picked(case.block.account_id[rows], account), dtype=pl.String),
        "meter_id": pl.Series(_picked(case.block.meter_id[rows], account), dtype=pl.String),
        "customer_class": pl.Series(kind.tolist(), dtype=pl.String),
        **{
            f"{season}_bill_{when}_usd": getattr(bills, f"{season}_usd")
            for season in ("winter", "summer", "year")
            for when, bills in (("before", before), ("after", after))
        },
        "base_charge_before_usd": charge[old] / 12,
        "base_charge_after_usd": charge[new] / 12,
        "bill_change_pct": np.where(before.year_usd > 0, change, np.nan),
    }
    frame = pl.DataFrame(columns).with_columns(pl.col(pl.Float64).fill_nan(None))
    names = [Wording(case.units).named(m) for m in case.catalogue.meters]
    return frame.with_columns(
        _notice(
            Wording(case.units),
            pl.Series(_picked(names, old), dtype=pl.String),
            pl.Series(_picked(names, new), dtype=pl.String),
            case.tariff,
        ).alias("notice")
    )


def _picked(names: Any, index: Index) -> list[str]:
    return [names[k] for k in index.tolist()]


def _bills(
    case: Case, rows: slice, account: Index, gal: Array, charge_usd: Array
) -> SeasonBills:
    named = rate_class_of(
        case.tariff, case.sites.customer_class[rows], case.sites.service_kind[rows]
    )
    share = case.sites.month_volume_share
    return season_bills(
        case.tariff,
        tuple(_picked(named, account)),
        gal,
        None if share is None else share[rows][account],
        charge_usd,
    )


def _notice(said: Wording, old: pl.Series, new: pl.Series, tariff: Tariff) -> pl.Expr:
    bills = [
        said.money(pl.col(f"{season}_bill_{when}_usd"))
        for season in ("winter", "summer")
        for when in ("before", "after")
    ]
    start = pl.format(
        "The water meter of this service will be changed from {} to {}, which fits your use "
        "and registers low flow that the old meter could miss.",
        pl.lit(old),
        pl.lit(new),
    )
    told = pl.format(
        " At your use of the past year, an average month's bill, base charge included, would "
        "go from {} to {} in winter and from {} to {} in summer.",
        *bills,
    )
    leak = " If it rises by more, look for a leak, such as a running toilet."
    if tariff.leak_adjustment_share > 0:
        leak += " If you repair one, ask us for a leak adjustment."
    has_bill = pl.col("year_bill_before_usd").is_not_null() & (
        pl.col("year_bill_after_usd").is_not_null()
    )
    return pl.concat_str(
        start, pl.when(has_bill).then(told).otherwise(pl.lit("")), pl.lit(leak)
    )
