"""Wear of the installed and the new meter over the horizon, and the age at which one pays off.

Notes
-----
Both meters go on wearing: what a meter registers of an account's flows falls each year by
points of accuracy that depend on its type, and on how hard it is run: hours a year at its
continuous rating that would pass its volume. The rates are common practice, wide (a used
domestic fleet lost 1.88 % a year at low and 0.14 % at medium flow: AQUA 70(2):217, 2021, read;
0.1 to 0.5 points a year of weighted accuracy from memory): enter your own. Meters without
moving parts lose nothing. Each sample has a rate from nothing to twice the middle, one for each
type.

The old meter wears until it is replaced in kind, at the end of its life. Where its age is not
known, that is taken to come after half a life, the mean of all ages (our convention): a meter
that wore on for ever would speak for every change.

How worn a meter is today is not guessed here: reads are inverted through the curve that tests
or a stated wear give it (`meters.uncertainty.wear`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rightsize.meters.arrays import MeterArrays
from rightsize.recommend.economics import RateSteps
from rightsize.recommend.horizon import Horizon, annuity_factor
from rightsize.recommend.leak_persistence import shared_quantiles

Array = NDArray[np.float64]
Floats = NDArray[np.floating[Any]]
Index = NDArray[np.int64]

LARGEST_LOSS_SHARE: Final = 0.5
"""Most of its registration that a meter loses over a life (our convention: more is found)."""
OLDEST_YEARS: Final = 60  # [years] up to which a replacement age is sought: convention
_MIN_PER_HOUR: Final = 60
_MARGIN_SHARE: Final = 0.05  # [1] of the volume over which the last gallon's price is taken


@dataclass(frozen=True)
class WearRates:
    """Points of accuracy lost, as shares, by meter of a catalog [M]."""

    per_year: Array
    per_hour: Array  # at the continuous rating
    meter_type: NDArray[np.str_]


def wear_rates(
    meters: MeterArrays,
    pct_per_year: Mapping[str, float],
    pct_per_1000_hours: Mapping[str, float],
) -> WearRates:
    """Rates of a catalog's meters; a type that is not named does not wear."""
    return WearRates(
        np.array([pct_per_year.get(str(t), 0.0) for t in meters.meter_type]) / 100,
        np.array([pct_per_1000_hours.get(str(t), 0.0) for t in meters.meter_type]) / 1e5,
        meters.meter_type,
    )


def hours_at_rating(gal_per_year: Array, continuous_gpm: Array) -> Array:
    """Hours a year in which a meter's continuous rating would pass a volume."""
    return np.asarray(gal_per_year / (continuous_gpm * _MIN_PER_HOUR))


def yearly_loss(rates: WearRates, meters: MeterArrays, gal_per_year: Array) -> Array:
    """Share of its registration that each meter loses a year at each account [A, M]."""
    hours = hours_at_rating(gal_per_year[:, None], meters.continuous_gpm)
    loss = rates.per_year + rates.per_hour * hours
    return np.asarray(np.minimum(loss, LARGEST_LOSS_SHARE / np.maximum(meters.life_years, 1)))


def type_factor(meter_type: NDArray[np.str_], count: int) -> Floats:
    """How far each sample's rates are from the middle: 0 to 2, alike for a type [J, M]."""
    kinds = {str(t): 2 * shared_quantiles(f"wear {t}", count) for t in np.unique(meter_type)}
    return np.stack([kinds[str(t)] for t in meter_type], axis=1).astype(np.float32)


def last_price(rates: RateSteps, gal_per_year: Floats) -> Floats:
    """Price of the last gallons of yearly volumes [J, A], USD a gallon."""
    less = gal_per_year * (1 - _MARGIN_SHARE)
    apart = rates.bill_usd_per_year(gal_per_year) - rates.bill_usd_per_year(less)
    return np.asarray(apart / np.maximum(gal_per_year * _MARGIN_SHARE, 1e-9))


@dataclass(frozen=True)
class WearMoney:
    """Money of wear at a chunk of A accounts in J samples; a year's loss grows by `rate`."""

    price: Floats  # [J, A] of the last gallon
    new_share: Floats  # [A, M] registration lost a year by a new meter
    old_share: Floats  # [A] by the installed one
    factor: Floats  # [J, M]
    old_factor: Floats  # [J, A]
    new_years: Floats  # [M] mean age of the new meter over its life, as present value
    old_years: Floats  # [A, L] years of wear of the installed one since today, likewise
    life_of: Index  # [M]
    years_to_renewal: Array  # [A]

    def gain_usd(self, registered: Floats, installed: Floats) -> Floats:
        """Level yearly gain of each meter: the old one's wear less the new one's [J, A, M]."""
        lost = registered * (self.new_share * self.new_years)
        lost *= self.factor[:, None, :]
        lost *= self.price[:, :, None]
        old = (self.price * installed * self.old_factor * self.old_share).astype(np.float32)
        kept = old[:, :, None] * self.old_years[None]
        result: Floats = (kept if kept.shape[2] == 1 else kept[:, :, self.life_of]) - lost
        return result

    def gain_at(self, registered: Floats, installed: Floats, meter: Index) -> Array:
        """The same for one meter at each account: registered [J, A], meter [A]."""
        at = np.arange(len(meter))
        new, old = self.rates_at(registered, installed, meter)
        level = old * self.old_years[at, self.life_of[meter]] - new * self.new_years[meter]
        return np.asarray(level, dtype=np.float64)

    def rates_at(
        self, registered: Floats, installed: Floats, meter: Index
    ) -> tuple[Array, Array]:
        """Money that the new and the old meter lose more each year [J, A]."""
        at = np.arange(len(meter))
        new = self.price * registered * self.factor[:, meter] * self.new_share[at, meter]
        old = self.price * installed * self.old_factor * self.old_share
        return np.asarray(new, dtype=np.float64), np.asarray(old, dtype=np.float64)


def years_of_wear(years_to_renewal: Array, life_years: Array) -> Array:
    """Years until each old meter is replaced in kind [A]: half a life where not known."""
    return np.where(np.isfinite(years_to_renewal), years_to_renewal, life_years / 2)


def wear_years(left_years: Array, years: int) -> Array:
    """Years of wear in the middle of each year, begun again at a replacement [A, Y]."""
    middle = np.arange(years) + 0.5
    return np.where(middle < left_years[:, None], middle, middle - left_years[:, None])


def wear_money(
    installed: Floats,
    rates: RateSteps,
    wear: WearRates,
    meters: MeterArrays,
    horizon: Horizon,
    *,
    meter_index: Index,
    years_to_renewal: Array,
) -> WearMoney:
    """Money of wear for a chunk, of which the installed meters register `installed` [J, A]."""
    count = len(installed)
    at = np.arange(len(meter_index))
    loss = yearly_loss(wear, meters, installed.mean(axis=0))
    factor = type_factor(wear.meter_type, count)
    left = years_of_wear(years_to_renewal, meters.life_years[meter_index])
    old = wear_years(left, horizon.year_count) @ horizon.year_weight.T
    new = horizon.year_weight @ (np.arange(horizon.year_count) + 0.5)
    kind = np.float32
    return WearMoney(
        price=last_price(rates, installed).astype(kind),
        new_share=loss.astype(kind),
        old_share=loss[at, meter_index].astype(kind),
        factor=factor,
        old_factor=factor[:, meter_index],
        new_years=new[horizon.life_of].astype(kind),
        old_years=old.astype(kind),
        life_of=horizon.life_of,
        years_to_renewal=left,
    )


def economic_age(cost_usd: Array, loss_usd: Array, discount_rate_pct: float) -> Array:
    """Age at which replacement in kind is cheapest in the long run [A, years].

    Parameters
    ----------
    cost_usd : array [A]
        Purchase and installation.
    loss_usd : array [A]
        Revenue lost more each year by wear [USD a year, each year].

    Returns
    -------
    array [A]
        Age of least level yearly cost: purchase as an annuity, and wear; NaN where that is
        beyond `OLDEST_YEARS`.
    """
    years = np.arange(1, OLDEST_YEARS + 1, dtype=np.float64)
    whole = annuity_factor(years, discount_rate_pct)
    worth = np.diff(whole, prepend=0.0)
    lost = np.cumsum(worth * (years - 0.5))
    level = (cost_usd[:, None] + loss_usd[:, None] * lost) / whole
    best = level.argmin(axis=1)
    return np.where(best < OLDEST_YEARS - 1, years[best], np.nan)
