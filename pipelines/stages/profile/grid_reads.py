"""Interval reads of a partition, sorted out into those that lie on a grid and the others.

A meter's reads lie on a grid if all have one interval length that divides an hour, start on
its clock, and no two have the same start. Its statistics are then sums over a matrix. Reads of
the other meters go through SQL, which also decides which of several reads counts.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rightsize.demand.month_grid import ABSENT, HOUR_US, MINUTE_US

MOST_CELLS: Final = 1 << 25
"""Cells of one matrix (0.3 GB); more meters or finer intervals take several."""
OTHER: Final = 255
"""Kind of a read whose quality is not that of one interval."""


@dataclass(frozen=True)
class GridReads:
    """Reads of one partition: meter (its place in `names`), start, length, volume and kind.

    `peak_gpm` has the largest recorded peak of each meter; not-a-number without one.
    """

    names: NDArray[np.object_]
    peak_gpm: NDArray[np.float64]
    meter: NDArray[np.int32]
    start_us: NDArray[np.int64]
    interval_min: NDArray[np.float32]
    gal: NDArray[np.float64]
    kind: NDArray[np.uint8]

    @cached_property
    def first_us(self) -> int:
        """The full hour in which the earliest read starts."""
        return int(self.start_us.min()) // HOUR_US * HOUR_US

    @cached_property
    def length_of_meter(self) -> NDArray[np.float32]:
        """One of each meter's interval lengths [min]; 0 without reads."""
        found = np.zeros(len(self.names), np.float32)
        found[self.meter] = self.interval_min
        return found

    def irregular(self) -> NDArray[np.bool_]:
        """Meters that are not on a grid, for other reasons than reads of the same start."""
        length = self.length_of_meter
        whole = np.isin(length, [m for m in range(1, 61) if 60 % m == 0])
        wrong = np.zeros(len(self.names), bool)
        wrong[self.meter[self.interval_min != length[self.meter]]] = True
        wrong[self.meter[self.kind == OTHER]] = True
        wrong[self.meter[~np.isfinite(self.gal) & (self.kind != ABSENT)]] = True
        for minutes in np.unique(length[whole]):
            off = self.start_us % int(minutes * MINUTE_US) != 0
            if off.any():
                wrong[self.meter[off & (length[self.meter] == minutes)]] = True
        return wrong | ~whole


@dataclass(frozen=True)
class Matrix:
    """Some meters' reads as a matrix; `repeated` are meters with two reads of one start."""

    meters: NDArray[np.int64]
    interval_min: int
    first_us: int
    gal: NDArray[np.float64]
    kind: NDArray[np.uint8]
    repeated: NDArray[np.bool_]


def matrices(reads: GridReads, chosen: NDArray[np.bool_]) -> Iterator[Matrix]:
    """The chosen meters' reads, by interval length, in matrices of bounded size."""
    length = np.where(chosen, reads.length_of_meter, 0)
    span_us = int(reads.start_us.max()) - reads.first_us + 1
    for minutes in (int(m) for m in np.unique(length) if m > 0):
        steps = -(-span_us // HOUR_US) * (60 // minutes)
        group = np.flatnonzero(length == minutes)
        most = max(1, MOST_CELLS // steps)
        for at in range(0, len(group), most):
            yield _matrix(reads, group[at : at + most], minutes, steps)


def _matrix(reads: GridReads, meters: NDArray[np.int64], minutes: int, steps: int) -> Matrix:
    row_of = np.full(len(reads.names), -1, np.int32)
    row_of[meters] = np.arange(len(meters), dtype=np.int32)
    row = row_of[reads.meter]
    start_us, gal, kind = reads.start_us, reads.gal, reads.kind
    if len(meters) < len(reads.names):
        rows = np.flatnonzero(row >= 0)
        row, start_us, gal, kind = row[rows], start_us[rows], gal[rows], kind[rows]
    place = (start_us - reads.first_us) // (minutes * MINUTE_US)
    place += row.astype(np.int64) * steps
    size = len(meters) * steps
    volumes, kinds = np.zeros(size), np.full(size, OTHER, np.uint8)
    volumes[place], kinds[place] = gal, kind
    kinds = kinds.reshape(len(meters), steps)
    is_filled = kinds != OTHER
    landed = np.bincount(row, minlength=len(meters))
    repeated = np.count_nonzero(is_filled, axis=1) < landed
    kinds[~is_filled] = ABSENT
    volumes = volumes.reshape(len(meters), steps)
    if not is_filled.all() or (kind == ABSENT).any():
        volumes[kinds == ABSENT] = 0.0
    return Matrix(meters, minutes, reads.first_us, volumes, kinds, repeated)
