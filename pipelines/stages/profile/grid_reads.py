"""Interval reads of a partition, sorted out into those that lie on a grid and the others.

A meter's reads lie on a grid if all have one interval length that divides an hour, start on
its clock, and no two have the same start. Its statistics are then sums over a matrix. Reads of
the other meters go through SQL, which also decides which of several reads counts.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from rightsize.demand.month_grid import ABSENT, HOUR_US, MINUTE_US

MOST_CELLS: Final = 1 << 25
"""Cells of one matrix (0.3 GB); more meters or finer intervals take several."""
_EPOCH: Final = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
OTHER: Final = 255
"""Kind of a read whose quality is not that of one interval."""


@dataclass(frozen=True)
class GridReads:
    """Reads of one partition by row: meter (its place in `names`), start, length, volume, kind.

    `peak_gpm` has the largest recorded peak of each meter; not-a-number without one.
    """

    names: NDArray[np.object_]
    peak_gpm: NDArray[np.float64]
    meter: NDArray[np.int32]
    start_us: NDArray[np.int64]
    interval_min: NDArray[np.float32]
    gal: NDArray[np.float64]
    kind: NDArray[np.uint8]
    _steps: dict[int, NDArray[np.int64]] = field(default_factory=dict, repr=False)

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
        wrong = ~whole
        wrong[self.meter[self.kind == OTHER]] = True
        wrong[self.meter[~np.isfinite(self.gal) & (self.kind != ABSENT)]] = True
        if self.interval_min.min() != self.interval_min.max():
            wrong[self.meter[self.interval_min != length[self.meter]]] = True
        for minutes in (int(m) for m in np.unique(length[whole])):
            off = self.step_of(minutes) * (minutes * MINUTE_US) != self.start_us - self.first_us
            if off.any():
                wrong[self.meter[off & (length[self.meter] == minutes)]] = True
        return wrong

    def step_of(self, minutes: int) -> NDArray[np.int64]:
        """Number of whole intervals of this length from `first_us` to each read's start."""
        if minutes not in self._steps:
            self._steps[minutes] = (self.start_us - self.first_us) // (minutes * MINUTE_US)
        return self._steps[minutes]


@dataclass(frozen=True)
class Matrix:
    """Some meters' reads as a matrix; `repeated` are meters with two reads of one start."""

    meters: NDArray[np.int64]
    interval_min: int
    first_us: int
    gal: NDArray[np.float64]
    kind: NDArray[np.uint8]
    repeated: NDArray[np.bool_]


def matrices(reads: GridReads, chosen: NDArray[np.bool_], timezone: str) -> Iterator[Matrix]:
    """The chosen meters' reads, by interval length, in matrices of bounded size.

    A matrix spans its whole local month, whatever was read: numpy adds in an order that hangs
    on a row's length, so a meter's sums must not hang on the first and last reads of others.
    """
    length = np.where(chosen, reads.length_of_meter, 0)
    begin_us, end_us = month_span_us(reads.first_us, int(reads.start_us.max()), timezone)
    for minutes in (int(m) for m in np.unique(length) if m > 0):
        steps = (end_us - begin_us) // HOUR_US * (60 // minutes)
        group = np.flatnonzero(length == minutes)
        most = max(1, MOST_CELLS // steps)
        for at in range(0, len(group), most):
            yield _matrix(reads, group[at : at + most], minutes, steps, begin_us)


def month_span_us(first_us: int, last_us: int, timezone: str) -> tuple[int, int]:
    """Full hours from the begin of the first moment's local month to the end of the last's."""
    zone = ZoneInfo(timezone)
    first, last = (_EPOCH + dt.timedelta(microseconds=at) for at in (first_us, last_us))
    begin = first.astimezone(zone).replace(day=1, hour=0, minute=0, second=0, microsecond=0)
    end = last.astimezone(zone).replace(day=28, hour=0, minute=0, second=0, microsecond=0)
    end = (end + dt.timedelta(days=4)).replace(day=1)
    begin_us = min(_us(begin.replace(fold=0)), first_us) // HOUR_US * HOUR_US
    end_us = max(_us(end.replace(fold=1)), last_us + 1)
    return begin_us, -(-end_us // HOUR_US) * HOUR_US


def _us(moment: dt.datetime) -> int:
    return (moment - _EPOCH) // dt.timedelta(microseconds=1)


def _matrix(
    reads: GridReads, meters: NDArray[np.int64], minutes: int, steps: int, begin_us: int
) -> Matrix:
    row, gal, kind = reads.meter, reads.gal, reads.kind
    step = reads.step_of(minutes) + (reads.first_us - begin_us) // (minutes * MINUTE_US)
    if len(meters) < len(reads.names):
        row_of = np.full(len(reads.names), -1, np.int32)
        row_of[meters] = np.arange(len(meters), dtype=np.int32)
        row = row_of[reads.meter]
        chosen = np.flatnonzero(row >= 0)
        row, step, gal, kind = row[chosen], step[chosen], gal[chosen], kind[chosen]
    place = row.astype(np.int64) * steps + step
    size = len(meters) * steps
    volumes, kinds = np.zeros(size), np.full(size, OTHER, np.uint8)
    volumes[place], kinds[place] = gal, kind
    cells, of_kind = volumes.reshape(-1, steps), kinds.reshape(-1, steps)
    is_filled = of_kind != OTHER
    landed = np.bincount(row, minlength=len(meters))
    repeated = np.count_nonzero(is_filled, axis=1) < landed
    of_kind[~is_filled] = ABSENT
    cells[of_kind == ABSENT] = 0.0
    return Matrix(meters, minutes, begin_us, cells, of_kind, repeated)
