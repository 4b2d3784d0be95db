"""What a change does to a customer's bill, in winter and in summer.

Notes
-----
Bills are those of an average month of the season, at the registered volume of the past year
before the change and at what the new meter would register of the same flows, before any leak
that it shows is repaired. The base charge is that of the tariff's size, lost or gained.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rightsize.recommend.economics import tier_steps
from rightsize.recommend.horizon import MONTHS_PER_YEAR
from rightsize.settings import Tariff

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class SeasonBills:
    """Bill of an average month of A accounts, base charge included [USD]."""

    winter_usd: Array
    summer_usd: Array
    year_usd: Array


def month_bill_usd(tariff: Tariff, rate_class: tuple[str, ...], gal_per_month: Array) -> Array:
    """Volumetric bill of each month's volume [A, 12]: water by tiers, and sewer."""
    bill = np.zeros_like(gal_per_month)
    classes = np.array(rate_class)
    for name in np.unique(classes):
        mine = classes == name
        limits, steps = tier_steps(tariff, str(name))
        for limit, step in zip(limits, steps, strict=True):
            bill[mine] += step * np.maximum(gal_per_month[mine] - limit, 0.0)
    return bill


def season_bills(
    tariff: Tariff,
    rate_class: tuple[str, ...],
    gal_per_year: Array,
    month_share: Array | None,
    charge_usd_per_year: Array,
) -> SeasonBills:
    """Bills of yearly volumes [A], by share of each calendar month [A, 12]; even if None."""
    even = np.full((len(gal_per_year), MONTHS_PER_YEAR), 1 / MONTHS_PER_YEAR)
    share = even if month_share is None else month_share
    bill = month_bill_usd(tariff, rate_class, gal_per_year[:, None] * share)
    bill = bill + charge_usd_per_year[:, None] / MONTHS_PER_YEAR
    summer = np.isin(np.arange(1, MONTHS_PER_YEAR + 1), tariff.summer_months)
    return SeasonBills(_mean(bill, ~summer), _mean(bill, summer), bill.mean(axis=1))


def _mean(bill: Array, is_in: Flags) -> Array:
    return np.asarray((bill[:, is_in] if is_in.any() else bill).mean(axis=1))
