"""Rows of `year_money`: what each change costs and brings, year by year.

Notes
-----
A row is the mean over the samples. Each year's amount is that of a whole year, or of the part
of a year with which a life may end, paid at year end; year 0 is the day of the change. The
present values add up to `recommendation.net_present_value_usd`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from rightsize.inference.samples import interval, mean
from rightsize.recommend.ageing import wear_years
from rightsize.recommend.case import Case
from rightsize.recommend.choice import Choice
from rightsize.recommend.horizon import annuity_factor
from rightsize.recommend.rows.row_columns import at_meter, samples_at_meter
from rightsize.recommend.steady_money import SteadyMoney
from rightsize.recommend.weigh import BenefitSamples

Array = NDArray[np.float64]
Index = NDArray[np.int64]


@dataclass(frozen=True)
class _Years:
    """Years of C changes [C, Y]: the part of each that counts, and the worth at its end."""

    part: Array
    worth: Array

    def paid(self, usd_per_year: Array) -> Array:
        """Amounts of each year [C, Y] of a level yearly amount [C]."""
        return np.asarray(usd_per_year[:, None] * self.part)


def year_money_frame(
    case: Case, rows: slice, samples: BenefitSamples, choice: Choice
) -> pl.DataFrame:
    """One row a year, from 0 to the end of the new meter's life, of each change."""
    account = np.flatnonzero(choice.action == "change")
    meter = choice.chosen[account]
    life = case.horizon.life_of[meter]
    lump = case.horizon.lump_weight[life] * case.horizon.annuity[life][:, None]
    whole = case.horizon.year_weight[life] * case.horizon.annuity[life][:, None]
    years = _Years(
        np.divide(whole, lump, out=np.zeros_like(lump), where=lump > 0),
        lump,
    )
    amounts = {
        **_gain_usd(samples, choice, account, years),
        **_cost_usd(case, rows, samples, choice, account, years),
    }
    net = sum(v for k, v in amounts.items() if "_low_" not in k and "_high_" not in k)
    first = np.ones((len(account), 1))
    worth = np.hstack([first, years.worth])
    amounts["net_usd"] = np.asarray(net)
    amounts["present_value_usd"] = np.cumsum(net * worth, axis=1)
    count = worth.shape[1]
    frame = pl.DataFrame(
        {
            "account_id": _named(case.block.account_id[rows], account, count),
            "meter_id": _named(case.block.meter_id[rows], account, count),
            "year": np.tile(np.arange(count, dtype=np.int64), len(account)),
            **{k: v.ravel() for k, v in amounts.items()},
        }
    )
    return frame.filter(pl.Series((worth > 0).ravel()))


def _gain_usd(
    samples: BenefitSamples, choice: Choice, account: Index, years: _Years
) -> dict[str, Array]:
    """Use and steady flow of each year, adjustments and water saved [C, 1 + Y]."""
    gain = samples_at_meter(samples.volumetric_gain_usd, choice.chosen)[:, account]
    money = samples.steady
    if money is None:
        return {"use_gain_usd": _after_start(years.paid(mean(gain)))}
    money = SteadyMoney(
        money.most_usd[:, account], None, money.life_of, money.saved_share, money.course
    )
    steady = np.asarray(money.part_usd(gain), dtype=np.float64)
    runs, credit = _course(money, steady, years.part.shape[1])
    paid = steady[:, :, None] * runs * years.part
    low, high = interval(paid)
    middle = mean(paid)
    saved = np.broadcast_to(np.asarray(money.saved_share), samples.peak_gpm.shape)[:, account]
    water = mean((saved * steady)[:, :, None] * (1 - runs)) * years.part
    is_paid = years.worth > 0
    return {
        **_wear_usd(samples, choice, account, years),
        "use_gain_usd": _after_start(years.paid(mean(gain - steady))),
        "steady_gain_usd": _after_start(middle),
        "steady_gain_low_usd": _after_start(np.minimum(low, middle)),
        "steady_gain_high_usd": _after_start(np.maximum(high, middle)),
        "leak_adjustment_usd": _after_start(-mean(steady[:, :, None] * credit) * is_paid),
        "avoided_water_usd": _after_start(water),
    }


def _wear_usd(
    samples: BenefitSamples, choice: Choice, account: Index, years: _Years
) -> dict[str, Array]:
    """Revenue that the old meter would have lost by wear, less what the new one loses."""
    wear, count = samples.wear, years.part.shape[1]
    if wear is None:
        return {"wear_gain_usd": np.zeros((len(account), 1 + count))}
    registered = samples_at_meter(samples.registered_gal, choice.chosen)
    new, old = wear.rates_at(registered, samples.installed_gal, choice.chosen)
    aged = wear_years(wear.years_to_renewal[account], count)
    usd = mean(old)[account, None] * aged - mean(new)[account, None] * (np.arange(count) + 0.5)
    return {"wear_gain_usd": _after_start(usd * years.part)}


def with_waiting_cost(
    recommendation: pl.DataFrame, year_money: pl.DataFrame, annuity: Array
) -> pl.DataFrame:
    """The recommendations with what a year's delay of each change costs.

    That is the first year's sum, less a year of the purchase as an annuity: `annuity` [A] is
    that of the life of the meter to install.
    """
    keys = ["account_id", "meter_id"]
    first = year_money.filter(pl.col("year") == 1).select(*keys, _first_usd="net_usd")
    first = first.unique(keys, keep="first")  # an account given twice has its rows twice
    level = pl.col("change_cost_usd") / pl.Series(annuity)
    return (
        recommendation.with_columns(_level_usd=level)
        .join(first, on=keys, how="left", maintain_order="left")
        .with_columns(waiting_cost_usd=pl.col("_first_usd") - pl.col("_level_usd"))
        .drop("_first_usd", "_level_usd")
    )


def _course(money: SteadyMoney, steady: Array, years: int) -> tuple[Array, Array]:
    """Share of steady flow that runs in each year, and years of it credited [J, 1, Y]."""
    if money.course is None:
        shape = (len(steady), 1, years)
        return np.ones(shape), np.zeros(shape)
    return money.course.running_part[:, None], money.course.credited_years[:, None]


def _cost_usd(
    case: Case,
    rows: slice,
    samples: BenefitSamples,
    choice: Choice,
    account: Index,
    years: _Years,
) -> dict[str, Array]:
    """Costs of each year, below 0, and what replacement in kind would do [C, 1 + Y]."""
    costs, chosen = case.costs, choice.chosen

    def at(value: NDArray[Any]) -> Array:
        return at_meter(value[rows], chosen)[account]

    lost = np.minimum(np.nan_to_num(at(costs.fixed_charge_change_usd_per_year)), 0.0)
    counts = 1 - _after(np.full(len(account), costs.base_charge_years), years, case)
    once = np.zeros((len(account), 1 + years.part.shape[1]))
    once[:, 0] = -at(costs.change_cost_usd)
    renewal = np.asarray(samples.renewal_gain_usd, dtype=np.float64)
    if samples.steady is not None:
        renewal = renewal - samples.steady.lost_at(renewal, chosen)
    after = _after(costs.years_to_renewal[rows][account], years, case)
    share = case.thresholds.renewal_credit_share
    return {
        "renewal_gain_usd": _after_start(-share * years.paid(mean(renewal)[account]) * after),
        "base_charge_usd": _after_start(years.paid(lost) * counts),
        "upkeep_usd": _after_start(years.paid(-at(costs.upkeep_change_usd_per_year))),
        "change_cost_usd": once,
        "renewal_credit_usd": _after_start(
            years.paid(costs.renewal_usd_per_year[rows][account]) * after
        ),
    }


def _after(left: Array, years: _Years, case: Case) -> Array:
    """Part of each year, as present value, after so many years from the change [C, Y]."""
    rate = case.discount_rate_pct
    ends = np.arange(years.part.shape[1] + 1, dtype=np.float64)
    before = np.diff(annuity_factor(np.minimum(ends, left[:, None]), rate), axis=1)
    whole = years.part * years.worth
    share = np.divide(before, whole, out=np.ones_like(whole), where=whole > 0)
    return np.asarray(1 - np.minimum(share, 1.0))


def _after_start(usd: Array) -> Array:
    """Amounts of years 1 and on [C, Y] with nothing in year 0 [C, 1 + Y]."""
    return np.hstack([np.zeros((len(usd), 1)), usd])


def _named(names: tuple[str, ...], account: Index, count: int) -> pl.Series:
    return pl.Series(
        [names[k] for k in account.tolist() for _ in range(count)], dtype=pl.String
    )
