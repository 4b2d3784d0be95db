"""The years over which a new meter is judged: its life, year by year, in present value.

Notes
-----
Money is paid at year end. A life that is no whole number of years ends with a part of a year,
so that the sum over the years is the annuity of `economics.annuity_factor`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.int64]

MONTHS_PER_YEAR: Final = 12


def annuity_factor(years: Array | float, discount_rate_pct: float) -> Array:
    """Present value of 1 per year, paid at the end of each of `years` years [years]."""
    term = np.asarray(years, dtype=np.float64)
    rate = discount_rate_pct / 100
    if rate == 0:
        return term
    factor: Array = -np.expm1(-term * np.log1p(rate)) / rate
    return factor


@dataclass(frozen=True)
class Horizon:
    """The L different lives of a catalog's M meters, and the worth of their Y years."""

    life_years: Array  # [L]
    life_of: Index  # [M] which of them a meter has
    year_weight: Array  # [L, Y] worth of 1 USD a year in that year, over that of the life
    lump_weight: Array  # [L, Y] worth of 1 USD at the end of that year, likewise; 0 past it
    annuity: Array  # [L] present value of 1 USD a year over the life

    @property
    def year_count(self) -> int:
        """Years of the longest life, the last perhaps in part."""
        return len(self.year_weight[0])


def horizon_of(life_years: Array, discount_rate_pct: float) -> Horizon:
    """The horizon of meters of these lives [M, years]."""
    lives, place = np.unique(life_years, return_inverse=True)
    ends = np.arange(int(np.ceil(lives.max())) + 1, dtype=np.float64)
    grown = annuity_factor(np.minimum(ends, lives[:, None]), discount_rate_pct)
    annuity = annuity_factor(lives, discount_rate_pct)
    lump = (1 + discount_rate_pct / 100) ** -ends[1:]
    lump = np.where(ends[:-1] < lives[:, None], lump, 0.0)
    return Horizon(
        life_years=lives,
        life_of=place.astype(np.int64),
        year_weight=np.diff(grown, axis=1) / annuity[:, None],
        lump_weight=lump / annuity[:, None],
        annuity=annuity,
    )
