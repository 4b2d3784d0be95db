"""Economics of a meter: volumetric rates, base charges, purchase, life, discount rate.

Notes
-----
A change is compared with keeping the installed meter and replacing it in kind at the end of its
life. Money is real (without inflation), at one discount rate, at year end. The horizon is
the life of the new meter; `net_benefit_usd_per_year` is the level yearly amount whose present
value over that life is `net_present_value_usd`, so meters of different lives compare.

A base charge lost by a smaller meter counts for the meter's life, until the next rate case, or
not at all, as the tariff says; one gained by a larger meter is shown, never counted: otherwise
the largest meter would always pay (our convention).

References
----------
Thornton, Sturm, Kunkel, *Water Loss Control*, 2nd ed., p. 181: a lower service charge can make
downsizing uneconomic for the utility. AWWA M1: charges by meter equivalents.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rightsize.meters.arrays import MeterArrays, meter_arrays
from rightsize.meters.catalogue import Catalogue
from rightsize.recommend.horizon import MONTHS_PER_YEAR, annuity_factor
from rightsize.settings import Tariff

Array = NDArray[np.float64]
Floats = NDArray[np.floating[Any]]

GAL_PER_KGAL = 1000.0


def simple_payback_years(cost_usd: Array, cash_usd_per_year: Array) -> Array:
    """Simple payback [years]; NaN if the cost is never recovered."""
    with np.errstate(divide="ignore", invalid="ignore"):
        years = cost_usd / cash_usd_per_year
    result: Array = np.where(cash_usd_per_year > 0, years, np.nan)
    return result


@dataclass(frozen=True)
class RateSteps:
    """A year's volumetric bill of each account as a sum of steps.

    bill(V) = sum over k of `usd_per_gal`[a, k] x max(V - `start_gal_per_year`[a, k], 0).
    Sewer billed on metered water is part of the first step.
    """

    start_gal_per_year: Array  # [A, K]
    usd_per_gal: Array  # [A, K]

    def bill_usd_per_year(self, gal_per_year: Floats) -> Floats:
        """Bill of yearly volumes [J, A] or [J, A, M], in the precision of the volumes."""
        kind = gal_per_year.dtype if gal_per_year.dtype.kind == "f" else np.dtype(np.float64)
        spread = (slice(None),) + (None,) * (gal_per_year.ndim - 2)
        bill = gal_per_year * self.usd_per_gal[:, 0].astype(kind)[spread]
        for start, step in zip(
            self.start_gal_per_year.T[1:].astype(kind),
            self.usd_per_gal.T[1:].astype(kind),
            strict=True,
        ):
            if np.any(step != 0):
                over = gal_per_year - start[spread]
                np.maximum(over, 0, out=over)
                over *= step[spread]
                bill += over
        return bill


def rate_steps(
    tariff: Tariff,
    rate_class: tuple[str, ...],
    *,
    month_volume_share: Array | None = None,
) -> RateSteps:
    """Volumetric rates of each account as steps of its yearly volume.

    Parameters
    ----------
    tariff : Tariff
        Tiers by month; a class that is not named uses `default`.
    rate_class : tuple of str [A]
        Class whose rates apply.
    month_volume_share : array [A, 12], optional
        Share of the year's volume by month; months are even if not given. A month with
        share s passes a monthly limit L when the year passes L / s.
    """
    classes = sorted({"default", *rate_class})
    place = np.array([classes.index(c) for c in rate_class], dtype=np.int64)
    even = np.full((len(rate_class), 1), 1.0 / MONTHS_PER_YEAR)
    share = even if month_volume_share is None else month_volume_share
    repeats = MONTHS_PER_YEAR if month_volume_share is None else 1
    limits, steps = zip(*(tier_steps(tariff, c) for c in classes), strict=True)
    width = max(len(s) for s in steps)
    limit = np.stack([np.pad(v, (0, width - len(v)), constant_values=np.inf) for v in limits])
    step = np.stack([np.pad(v, (0, width - len(v))) for v in steps])
    limit, step = limit[place], step[place]
    with np.errstate(divide="ignore"):
        start = limit[:, 1:, None] / share[:, None, :]
    slope = np.where(np.isfinite(start), step[:, 1:, None] * share[:, None, :] * repeats, 0.0)
    flat = (len(rate_class), (width - 1) * share.shape[1])
    return RateSteps(
        start_gal_per_year=np.hstack(
            [np.zeros((len(rate_class), 1)), np.where(slope != 0, start, 0.0).reshape(flat)]
        ),
        usd_per_gal=np.hstack([step[:, :1], slope.reshape(flat)]),
    )


def tier_steps(tariff: Tariff, rate_class: str) -> tuple[Array, Array]:
    """Start of each tier [gal/month] and what the price rises by there [USD/gal]."""
    rate = tariff.for_class(rate_class)
    price = np.array([t.usd_per_kgal for t in rate.tiers]) / GAL_PER_KGAL
    sewer = rate.sewer_usd_per_kgal * rate.sewer_return_share / GAL_PER_KGAL
    limit = np.array([0.0, *(t.up_to_gal_per_month or np.inf for t in rate.tiers[:-1])])
    step = np.diff(price, prepend=0.0)
    step[0] += sewer
    return limit, step


def rate_class_of(
    tariff: Tariff, customer_class: tuple[str, ...], service_kind: tuple[str, ...]
) -> tuple[str, ...]:
    """Class whose rates apply: an irrigation service pays the irrigation rate where named."""
    named = "irrigation" in tariff.classes
    return tuple(
        "irrigation" if named and kind == "irrigation" else name
        for name, kind in zip(customer_class, service_kind, strict=True)
    )


def fixed_charge_usd_per_year(tariff: Tariff, size_in: Array) -> Array:
    """Annual base charge by meter size; NaN if the tariff lacks the size.

    A tariff without base charges by size has none: 0 for all.
    """
    charges = tariff.fixed_charge_usd_per_month
    if not charges:
        return np.zeros(np.shape(size_in))
    held = np.array(sorted(charges))
    nearest = np.abs(np.asarray(size_in)[..., None] - held).argmin(axis=-1)
    charge = np.array([charges[s] for s in sorted(charges)])[nearest] * MONTHS_PER_YEAR
    result: Array = np.where(np.abs(held[nearest] - size_in) < 1e-3, charge, np.nan)
    return result


def yearly_upkeep_usd(held: MeterArrays, discount_rate_pct: float) -> Array:
    """O&M of each meter [M], with failures and electronics, level over its life [USD/year].

    A meter that fails is replaced at once: on warranty only the work is paid. Battery or
    electronics are replaced as often as their years end within the life.
    """
    life, growth = held.life_years, 1 + discount_rate_pct / 100
    worth = annuity_factor(life, discount_rate_pct)
    free = annuity_factor(np.minimum(held.warranty_years, life), discount_rate_pct) / worth
    body = (held.price_usd + held.register_usd) * (1 - free)
    failures = held.failure_pct_per_year / 100 * (held.install_usd + body)
    years = np.where(held.electronics_years > 0, held.electronics_years, np.inf)
    swaps = np.ceil(life / years) - 1  # none at the end of the life
    most = int(max(swaps.max(), 0))
    at = years[:, None] * np.arange(1, most + 1)
    inside = np.arange(1, most + 1) <= swaps[:, None]
    paid = np.where(inside, growth ** -np.where(inside, at, 0.0), 0.0).sum(axis=1)
    electronics = held.electronics_usd * paid / worth
    return np.asarray(held.upkeep_usd_per_year + failures + electronics)


def base_charge_years(tariff: Tariff) -> float:
    """Years from the change in which a base charge that is lost counts."""
    years = {"full": np.inf, "until_rate_case": tariff.years_to_rate_case, "none": 0.0}
    return float(years[tariff.count_base_charge_loss])


@dataclass(frozen=True)
class ChangeCosts:
    """Money of putting meter m at account a that does not depend on the sample [A, M]."""

    change_cost_usd: Array  # purchase, installation and refitting, paid at once
    annual_cost_usd_per_year: Array  # annualized cost, net of O&M saved and renewal credit
    upkeep_change_usd_per_year: Array
    fixed_charge_change_usd_per_year: Array  # NaN where the tariff lacks a size
    base_charge_loss_usd_per_year: Array  # loss that counts, level over the life; 0 or less
    base_charge_years: float  # years from the change in which a loss counts
    fixed_charge_usd_per_year: Array  # [M] NaN where the tariff lacks the size
    present_value_factor: Array  # [M] annuity over the life of the new meter
    until_renewal_share: Array  # share of that annuity before the installed meter's end
    years_to_renewal: Array  # [A] of the installed meter; infinite where nothing is credited
    renewal_usd_per_year: Array  # [A] level cost of the replacement that is then credited


def change_costs(
    catalogue: Catalogue,
    tariff: Tariff,
    *,
    meter_index: NDArray[np.int64],
    age_years: Array,
    refit_usd_per_in: float = 0.0,
    renewal_credit_share: float = 1.0,
) -> ChangeCosts:
    """Costs of each catalog meter at each account, against keeping the installed one.

    Parameters
    ----------
    meter_index, age_years : arrays [A]
        Installed meter and its age; an unknown age (NaN) credits no renewal, the cautious
        side.
    refit_usd_per_in : float
        Piping and vault work for each inch that the size changes.
    renewal_credit_share : float
        Share of the avoided replacement in kind that is credited to the change.
    """
    held = meter_arrays(catalogue.meters)
    price = held.price_usd + held.register_usd + held.install_usd
    life, size = held.life_years, held.size_in
    rate = tariff.discount_rate_pct
    upkeep = yearly_upkeep_usd(held, rate)
    worth = annuity_factor(life, rate)
    left = np.maximum(life[meter_index] - np.nan_to_num(age_years, nan=-np.inf), 0.0)
    until = annuity_factor(np.minimum(left[:, None], life[None, :]), rate) / worth
    until = 1 - renewal_credit_share * (1 - until)
    refit = refit_usd_per_in * np.abs(size[None, :] - size[meter_index][:, None])
    cost = price[None, :] + refit
    upkeep_change = upkeep[None, :] - upkeep[meter_index][:, None]
    level = (price / worth)[meter_index]
    renewal = level[:, None] * (1 - until)
    charge = fixed_charge_usd_per_year(tariff, size)
    charge_change = charge[None, :] - charge[meter_index][:, None]
    same_size = np.abs(size[None, :] - size[meter_index][:, None]) < 1e-3
    change = np.where(same_size, 0.0, charge_change)
    years = base_charge_years(tariff)
    counted = annuity_factor(np.minimum(years, life), rate) / worth
    return ChangeCosts(
        change_cost_usd=cost,
        annual_cost_usd_per_year=cost / worth + upkeep_change - renewal,
        upkeep_change_usd_per_year=upkeep_change,
        fixed_charge_change_usd_per_year=change,
        base_charge_loss_usd_per_year=np.minimum(np.nan_to_num(change), 0.0) * counted,
        base_charge_years=years,
        fixed_charge_usd_per_year=charge,
        present_value_factor=worth,
        until_renewal_share=until,
        years_to_renewal=left,
        renewal_usd_per_year=level * renewal_credit_share,
    )
