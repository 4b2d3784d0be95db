"""Curves of installed meters from accuracy tests or stated wear.

In order of priority: the meter's own accuracy tests, the tests of at least three meters of
its group (type, size, grade and age band), the wear that the utility states for its type.
Without any of these a meter keeps the catalog curve.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rightsize.meters.catalogue import Meter
from rightsize.meters.uncertainty.curve_samples import new_error_covariance
from rightsize.meters.uncertainty.knots import KNOT_COUNT, bent_meter, ratio_at_knots
from rightsize.meters.uncertainty.shrinkage import ShrunkCurves, age_band
from rightsize.meters.uncertainty.wear import Wear, worn_meter

Array = NDArray[np.float64]
Index = NDArray[np.int64]

LEAST_TESTED: Final = 3
"""Tested meters that speak for the untested ones of their group: one may be a meter that broke
(our convention)."""
AGE_STEP_YEARS: Final = 0.5
"""Ages are rounded to half a year: less is within the range of any wear rate."""
OLDEST_YEARS: Final = 50.0
_WIDE: Final = 1000  # more than the steps and bands of age
_RANGE_SDS: Final = 2 * 1.645  # a range is read as a 90 % interval


@dataclass(frozen=True)
class InstalledCurves:
    """K curves of installed meters, in addition to those of the catalog.

    `covariance` is that of relative errors at the knots about each curve: what one meter's
    curve may differ by.
    """

    meters: tuple[Meter, ...]
    covariance: Array  # [K, 3, 3]
    of_meter: Mapping[tuple[str, int], int]  # (meter id, catalog row) -> curve
    of_group: Mapping[tuple[int, int], int]  # (catalog row, age band) -> curve
    of_age: Mapping[tuple[int, int], int]  # (catalog row, age in steps) -> curve

    def place(self, meter_id: Sequence[str], meter_index: Index, age_years: Array) -> Index:
        """Curve of each of A meters; -1 for the catalog curve.

        Parameters
        ----------
        meter_id : A names
        meter_index : int array [A]
            Row in the catalog; -1 unknown.
        age_years : array [A]
            NaN unknown.
        """
        known = np.isfinite(age_years) & (meter_index >= 0)
        age = np.where(known, age_years, 0.0)
        row = np.where(known, meter_index, -1)
        steps = np.rint(np.clip(age, 0, OLDEST_YEARS) / AGE_STEP_YEARS).astype(np.int64)
        by_age = _found(self.of_age, row, steps)
        by_group = _found(self.of_group, row, age_band(age))
        place = np.where(by_group >= 0, by_group, by_age)
        if self.of_meter:
            row_of = {name: n for n, name in enumerate(meter_id)}
            for (name, tested), curve in self.of_meter.items():
                at = row_of.get(name, -1)
                if at >= 0 and meter_index[at] == tested:
                    place[at] = curve
        return place


@dataclass(frozen=True)
class PlacedCurves:
    """Curves of the meters of a block: `index` [A] points into `curves`, -1 the catalog's."""

    curves: InstalledCurves
    index: Index

    def cut(self, rows: slice) -> PlacedCurves:
        """Those of some accounts."""
        return PlacedCurves(self.curves, self.index[rows])

    def meters(self, catalogue: Sequence[Meter], meter_index: Index) -> tuple[Meter, ...]:
        """The curve that each account's meter most likely has [A]."""
        return tuple(
            self.curves.meters[own] if own >= 0 else catalogue[row]
            for own, row in zip(self.index.tolist(), meter_index.tolist(), strict=True)
        )


def installed_curves(
    catalogue: Sequence[Meter],
    tested: ShrunkCurves | None,
    wear: Mapping[str, Wear],
    rows_in_use: Sequence[int],
) -> InstalledCurves:
    """Every curve that an installed meter may need.

    Parameters
    ----------
    catalogue : sequence of Meter
    tested : ShrunkCurves or None
        What accuracy tests say.
    wear : mapping
        Stated rates, per year of age, by type of meter.
    rows_in_use : sequence of int
        Catalog rows that meters in service have.
    """
    meters: list[Meter] = []
    covariance: list[Array] = []

    def add(meter: Meter, spread: Array) -> int:
        meters.append(meter)
        covariance.append(spread)
        return len(meters) - 1

    of_meter: dict[tuple[str, int], int] = {}
    of_group: dict[tuple[int, int], int] = {}
    of_age: dict[tuple[int, int], int] = {}
    if tested is not None:
        for row, name in enumerate(tested.meter_id):
            at, error = int(tested.meter_index[row]), tested.error[row]
            spread = _about(error, tested.covariance[row])
            of_meter[name, at] = add(bent_meter(catalogue[at], error), spread)
        for (at, band), error in tested.group_error.items():
            if tested.group_count[at, band] < LEAST_TESTED:
                continue
            spread = _about(error, tested.group_covariance[at, band])
            of_group[at, band] = add(bent_meter(catalogue[at], error), spread)
    for at in sorted(set(rows_in_use)):
        rate = wear.get(catalogue[at].meter_type)
        if rate is not None:
            for step in range(1, int(OLDEST_YEARS / AGE_STEP_YEARS) + 1):
                of_age[at, step] = add(*_worn(catalogue[at], rate, step * AGE_STEP_YEARS))
    shape = (len(meters), KNOT_COUNT, KNOT_COUNT)
    return InstalledCurves(
        tuple(meters), np.array(covariance).reshape(shape), of_meter, of_group, of_age
    )


def _found(curves: Mapping[tuple[int, int], int], first: Index, second: Index) -> Index:
    """Curve of each pair of keys [A]; -1 if there is none."""
    pairs = np.array([(a * _WIDE + b, curve) for (a, b), curve in curves.items()])
    if not len(pairs):
        return np.full(first.shape, -1, dtype=np.int64)
    pairs = pairs[np.argsort(pairs[:, 0])]
    key = first * _WIDE + second
    at = np.minimum(np.searchsorted(pairs[:, 0], key), len(pairs) - 1)
    return np.where(pairs[at, 0] == key, pairs[at, 1], -1)


def _about(error: Array, covariance: Array) -> Array:
    """Covariance of errors about an adjusted curve, from that about the original curve."""
    factor = 1 / np.maximum(1 + error, 1e-3)
    result: Array = covariance * np.outer(factor, factor)
    return result


def _worn(meter: Meter, wear: Wear, age_years: float) -> tuple[Meter, Array]:
    """The worn meter and its spread: that of a new one, and the range of the rates."""
    middle, low, high = (
        worn_meter(meter, wear, amount=age_years, place=place)
        for place in ("middle", "low", "high")
    )
    at_middle = np.maximum(ratio_at_knots(middle), 1e-3)
    sd = (ratio_at_knots(low) - ratio_at_knots(high)) / at_middle / _RANGE_SDS
    return middle, new_error_covariance(meter) + np.outer(sd, sd)
