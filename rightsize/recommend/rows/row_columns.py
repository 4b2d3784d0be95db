"""Columns that several result tables share: meters by name, estimates with their intervals."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from rightsize.inference.samples import mean, with_mean
from rightsize.meters.head_loss import head_loss_matrix
from rightsize.recommend.case import Case
from rightsize.recommend.weigh import BenefitSamples

Array = NDArray[np.float64]
Index = NDArray[np.int64]


def meter_columns(case: Case, prefix: str, index: Index) -> dict[str, Any]:
    """Type, size and grade of meters by catalog row; null for row -1."""
    at = pl.Series(np.where(index < 0, len(case.catalogue.meters), index))
    meters = case.catalogue.meters
    kinds: list[str | None] = [m.meter_type for m in meters]
    sizes: list[float | None] = [m.size_in for m in meters]
    grades: list[str | None] = [m.grade for m in meters]
    return {
        f"{prefix}_type": pl.Series([*kinds, None], dtype=pl.String).gather(at),
        f"{prefix}_size_in": pl.Series([*sizes, None], dtype=pl.Float64).gather(at),
        f"{prefix}_grade": pl.Series([*grades, None], dtype=pl.String).gather(at),
    }


def at_meter(value: NDArray[Any], index: Index) -> Array:
    """Entry of each account's row [A, M] at its meter."""
    return np.asarray(value[np.arange(len(index)), index], dtype=np.float64)


def samples_at_meter(value: NDArray[Any], index: Index) -> Array:
    """Samples of each account [J, A, M] at its meter [J, A]."""
    return np.asarray(value[:, np.arange(len(index)), index], dtype=np.float64)


def bounded(name: str, samples: Array) -> dict[str, Array]:
    """Mean and 90 % interval under the contract's names: low and high stand before the unit.

    The interval is widened to hold the mean, which a skewed spread may carry outside it.
    """
    names = (name, with_word(name, "low"), with_word(name, "high"))
    return dict(zip(names, with_mean(samples.astype(np.float64)), strict=True))


def bounded_ratio(name: str, part: Array, whole: Array) -> dict[str, Array]:
    """Mean of the part over mean of the total [%], with the interval of the samples' ratios."""
    made = bounded(name, part / whole * 100)
    low, high = with_word(name, "low"), with_word(name, "high")
    middle = mean(part) / mean(whole) * 100
    return {
        name: middle,
        low: np.minimum(made[low], middle),
        high: np.maximum(made[high], middle),
    }


UNITS: Final = ("_usd_per_year", "_gal_per_year", "_pct", "_gpm", "_share", "_usd")


def with_word(name: str, word: str) -> str:
    """`volume_gain_gal_per_year` with `low` is `volume_gain_low_gal_per_year`."""
    unit = next((u for u in UNITS if name.endswith(u)), "")
    return f"{name[: len(name) - len(unit)]}_{word}{unit}"


def head_loss_at_peak(case: Case, samples: BenefitSamples) -> Array:
    """Head lost in each meter at the expected peak [A, M]."""
    return head_loss_matrix(case.catalogue.meters, mean(samples.peak_gpm)).T


def assembly_loss_at_peak(case: Case, rows: slice, samples: BenefitSamples) -> Array:
    """Head lost in meter, strainer, reducers and backflow assembly at the peak [A, M]."""
    peak_gpm = mean(samples.peak_gpm)[:, None]
    with np.errstate(invalid="ignore", over="ignore"):  # meters not assessed may hold NaN
        beside = case.added_psi_per_gpm2[rows] * peak_gpm**2
    return np.asarray(
        head_loss_at_peak(case, samples) + beside + case.backflow_psi[rows][:, None]
    )
