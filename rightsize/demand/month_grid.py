"""A month of reads as a matrix: one row a meter, one column an interval.

Reads of one interval length that start on its clock need no sorting: sums by hour of the week,
by hour, by day and by flow band are sums over columns. `sql/30_profile` defines the same
statistics for reads of any kind, and is the reference of this module's tests.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

MINUTE_US: Final = 60_000_000
HOUR_US: Final = 60 * MINUTE_US
DAY_US: Final = 24 * HOUR_US
ABSENT, MEASURED, ESTIMATED = 0, 1, 2
"""Kinds of a cell: no read; a measured or edited one; an estimated or questionable one."""
_BLOCK_CELLS: Final = 1 << 18
"""Cells worked on at once: their temporaries stay in the processor's cache."""

_SUMMED_AT_ONCE: Final = 1 << 15
"""Volumes added up at once, for the same reason."""


@dataclass(frozen=True)
class GridClock:
    """The columns of a grid: UTC starts and local times [microseconds since 1970].

    `starts_us` are every `interval_min` minutes, from a full hour; `local_us` are the same
    moments on the utility's clock, counted as if it were UTC.
    """

    interval_min: int
    starts_us: Ints
    local_us: Ints

    @property
    def per_hour(self) -> int:
        """Intervals in an hour."""
        return 60 // self.interval_min

    @cached_property
    def slot(self) -> Ints:
        """Hour of the local week of each column, 0 (Monday, midnight) to 167."""
        found: Ints = (self.local_us // HOUR_US + 3 * 24) % 168  # 1970-01-01: a Thursday
        return found

    @cached_property
    def slots(self) -> Groups:
        """Columns grouped by hour of the week."""
        return Groups.by(self.slot)

    @cached_property
    def hour_local_us(self) -> Ints:
        """Earliest local time in each hour."""
        found: Ints = self.local_us.reshape(-1, self.per_hour).min(axis=1)
        return found

    @cached_property
    def days(self) -> Groups:
        """Hours grouped by local day; keys are days since 1970-01-01."""
        return Groups.by(self.hour_local_us // DAY_US)

    @cached_property
    def nights(self) -> Groups:
        """Hours before 6 in the morning, grouped by local day."""
        is_night: Bools = self.hour_local_us % DAY_US < 6 * HOUR_US
        return Groups.by(self.hour_local_us // DAY_US, np.flatnonzero(is_night))

    @cached_property
    def is_monotone(self) -> bool:
        """Whether local time never goes back, as it does when daylight saving ends."""
        return bool((np.diff(self.local_us) >= 0).all())


@dataclass(frozen=True)
class Groups:
    """Columns in groups: their keys in order, and how to add up a group."""

    keys: Ints
    columns: Ints
    first: Ints  # of each group, among `columns`
    is_plain: bool  # the columns are all of them, in order

    @classmethod
    def by(cls, key: Ints, among: Ints | None = None) -> Groups:
        """Group columns (all, or some) by their key."""
        among = np.arange(len(key)) if among is None else among
        columns = among[np.argsort(key[among], kind="stable")]
        keys, first = np.unique(key[columns], return_index=True)
        plain = len(columns) == len(key) and bool((np.diff(columns) == 1).all())
        return cls(keys, columns, first, plain)

    def add(self, cells: NDArray[np.generic]) -> Floats:
        """Sums (rows, groups) of cells (rows, columns)."""
        return np.add.reduceat(self._ordered(cells), self.first, axis=1, dtype=np.float64)

    def least(self, cells: Floats) -> Floats:
        """Minima (rows, groups)."""
        found: Floats = np.minimum.reduceat(self._ordered(cells), self.first, axis=1)
        return found

    def _ordered(self, cells: NDArray[np.generic]) -> NDArray[np.generic]:
        """Cells in the order of the groups, rows whole in memory.

        Not `cells[:, columns]`: it lays out many rows by columns, and one by rows, and numpy
        then adds in another order: a meter's sums would depend on how many stand beside it.
        """
        return cells if self.is_plain else np.take(cells, self.columns, axis=1)


@dataclass(frozen=True)
class DistinctVolumes:
    """Different volumes [gal] of each row, ascending, and how many reads have each.

    Registers count in steps, so a month has far fewer of them than reads.
    """

    row: Ints
    gal: Floats
    count: Ints


@dataclass(frozen=True)
class MonthGrid:
    """Registered volumes [gal] (meters, columns), 0 where there is no read, and their kinds."""

    clock: GridClock
    gal: Floats
    kind: NDArray[np.uint8]

    def blocks(self) -> Iterator[tuple[slice, MonthGrid]]:
        """Groups of meters small enough for the cache."""
        size = max(1, _BLOCK_CELLS // max(1, self.gal.shape[1]))
        for at in range(0, len(self.gal), size):
            rows = slice(at, at + size)
            yield rows, MonthGrid(self.clock, self.gal[rows], self.kind[rows])

    @cached_property
    def is_shape(self) -> Bools:
        """Reads that show a flow rate: measured or edited, and not backward."""
        found: Bools = (self.kind == MEASURED) & (self.gal >= 0)
        return found

    @cached_property
    def is_full(self) -> bool:
        """Whether every cell shows a flow rate."""
        return bool(self.is_shape.all())

    @cached_property
    def shape_gal(self) -> Floats:
        """Volumes of the reads that show a flow rate, 0 elsewhere."""
        return self.gal if self.is_full else np.where(self.is_shape, self.gal, 0.0)

    @cached_property
    def flow_gpm(self) -> Floats:
        """Average flow of each interval, 0 where none is shown."""
        return self.shape_gal / self.clock.interval_min

    @cached_property
    def hour_gpm(self) -> Floats:
        """Average flow (meters, hours) of full hours, 0 elsewhere."""
        if self.clock.per_hour == 1:
            return self.flow_gpm
        hours = self.shape_gal[:, :: self.clock.per_hour].copy()
        for part in range(1, self.clock.per_hour):
            hours += self.shape_gal[:, part :: self.clock.per_hour]
        hours /= 60
        return hours if self.is_full else np.where(self.is_hour, hours, 0.0)

    @cached_property
    def is_hour(self) -> Bools:
        """Hours (meters, hours) that all their intervals show."""
        if self.clock.per_hour == 1:
            return self.is_shape
        if self.is_full:
            return self.is_shape[:, :: self.clock.per_hour]
        hours = self.is_shape[:, :: self.clock.per_hour].copy()
        for part in range(1, self.clock.per_hour):
            hours &= self.is_shape[:, part :: self.clock.per_hour]
        return hours

    @cached_property
    def distinct(self) -> DistinctVolumes:
        """The different volumes of each meter; 0 also stands for cells that show none."""
        ordered = np.sort(self.shape_gal, axis=1)
        is_new: Bools = np.ones(ordered.shape, bool)
        np.not_equal(ordered[:, 1:], ordered[:, :-1], out=is_new[:, 1:])
        at = np.flatnonzero(is_new)
        count = np.diff(np.append(at, ordered.size))
        return DistinctVolumes(at // ordered.shape[1], ordered.ravel()[at], count)


def sum_in_any_order(gal: Floats) -> float:
    """The sum of volumes [gal], the same to the bit in whatever order they come.

    Whole parts and fractions are added as integers. Not-a-number counts as nothing; a volume
    is taken to 2**-52 gal.
    """
    upper = lower = 0
    for at in range(0, len(gal), _SUMMED_AT_ONCE):
        part = gal[at : at + _SUMMED_AT_ONCE]
        known = np.where(np.isnan(part), 0.0, part)
        whole = np.floor(known * 2.0**20)
        rest = np.rint((known - whole / 2.0**20) * 2.0**52)
        upper += int(whole.astype(np.int64).sum()) << 32
        lower += int(rest.astype(np.int64).sum())
    return (upper + lower) / 2**52
