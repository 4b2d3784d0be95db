"""Interval reads of a partition, sorted out into those that lie on a grid and the others.

A meter's reads lie on a grid if all have one interval length that divides an hour, start on
its clock, and no two have the same start. Its statistics are then sums over a matrix. Reads of
the other meters go through SQL, which also decides which of several reads counts.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from rightsize.demand.month_grid import ABSENT, HOUR_US, MINUTE_US

MOST_CELLS: Final = 1 << 25
"""Cells of one matrix (0.3 GB); more meters or finer intervals take several."""
BATCH_ROWS: Final = 1 << 16
"""Rows worked on at once: their temporaries stay in the processor's cache."""
WHOLE_MIN: Final = tuple(m for m in range(1, 61) if 60 % m == 0)
"""Lengths of an interval that an hour is a multiple of [min]."""
_EPOCH: Final = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
OTHER: Final = 255
"""Kind of a read whose quality is not that of one interval."""


@dataclass(frozen=True)
class GridReads:
    """Reads of one partition by row: meter (its place in `names`), start, length, volume, kind.

    `minute` is the start [whole minutes since 1970]; `interval_min` has one value if all reads
    have the same. `peak_gpm` has the largest recorded peak of each meter; not-a-number without
    one. A read that starts between two minutes is of kind `OTHER`.
    """

    names: NDArray[np.object_]
    peak_gpm: NDArray[np.float64]
    meter: NDArray[np.int32]
    minute: NDArray[np.int32]
    interval_min: NDArray[np.float32]
    gal: NDArray[np.float64]
    kind: NDArray[np.uint8]

    @cached_property
    def first_us(self) -> int:
        """The full hour in which the earliest read starts."""
        return int(self.minute.min()) // 60 * HOUR_US

    @cached_property
    def last_us(self) -> int:
        """The minute in which the latest read starts."""
        return int(self.minute.max()) * MINUTE_US

    @cached_property
    def length_of_meter(self) -> NDArray[np.float32]:
        """One of each meter's interval lengths [min]."""
        found = np.full(len(self.names), self.interval_min[0], np.float32)
        if len(self.interval_min) > 1:
            found[self.meter] = self.interval_min
        return found

    def irregular(self) -> NDArray[np.bool_]:
        """Meters that are not on a grid, for other reasons than reads of the same start."""
        length = self.length_of_meter
        whole = np.isin(length, WHOLE_MIN)
        wrong = ~whole
        lengths = [int(m) for m in np.unique(length[whole])]
        for rows in self.batches():
            meter, kind = self.meter[rows], self.kind[rows]
            odd = (kind == OTHER) | (~np.isfinite(self.gal[rows]) & (kind != ABSENT))
            if len(self.interval_min) > 1:
                odd |= self.interval_min[rows] != length[meter]
            for minutes in lengths:
                off = self.minute[rows] % np.int32(minutes) != 0
                odd |= off if len(lengths) == 1 else off & (length[meter] == minutes)
            wrong[meter[odd]] = True
        return wrong

    def batches(self) -> Iterator[slice]:
        """Rows in pieces that stay in the processor's cache."""
        for at in range(0, len(self.meter), BATCH_ROWS):
            yield slice(at, at + BATCH_ROWS)


@dataclass(frozen=True)
class Matrix:
    """Some meters' reads as a matrix.

    `repeated` are meters with two reads of one start: their cells are not all of it.
    """

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
    begin_us, end_us = month_span_us(reads.first_us, reads.last_us, timezone)
    for minutes in (int(m) for m in np.unique(length) if m > 0):
        steps = (end_us - begin_us) // HOUR_US * (60 // minutes)
        group = np.flatnonzero(length == minutes)
        most = max(1, MOST_CELLS // steps)
        for at in range(0, len(group), most):
            yield matrix_of(reads, group[at : at + most], minutes, steps, begin_us)


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


def matrix_of(
    reads: GridReads, meters: NDArray[np.int64], minutes: int, steps: int, begin_us: int
) -> Matrix:
    """Some meters' reads, all of one length, in so many steps from a moment on."""
    row_of = np.full(len(reads.names), -1, np.int64)
    row_of[meters] = np.arange(len(meters))
    is_all = len(meters) == len(reads.names)
    begin_step = begin_us // (minutes * MINUTE_US)
    volumes, kinds = (
        np.zeros(len(meters) * steps),
        np.full(len(meters) * steps, OTHER, np.uint8),
    )
    landed = np.zeros(len(meters), np.int64)
    for rows in reads.batches():
        row, minute = row_of[reads.meter[rows]], reads.minute[rows]
        gal, kind = reads.gal[rows], reads.kind[rows]
        if not is_all:
            chosen = np.flatnonzero(row >= 0)
            row, minute, gal, kind = row[chosen], minute[chosen], gal[chosen], kind[chosen]
        place = row * steps + (minute // np.int32(minutes) - begin_step)
        is_absent = kind == ABSENT
        volumes[place] = np.where(is_absent, 0.0, gal) if is_absent.any() else gal
        kinds[place] = kind
        landed += np.bincount(row, minlength=len(meters))
    of_kind = kinds.reshape(-1, steps)
    is_filled = of_kind != OTHER
    repeated = np.count_nonzero(is_filled, axis=1) < landed
    np.copyto(of_kind, ABSENT, where=~is_filled)
    return Matrix(meters, minutes, begin_us, volumes.reshape(-1, steps), of_kind, repeated)
