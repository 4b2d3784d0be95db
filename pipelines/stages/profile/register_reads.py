"""Register readings of a partition, sorted out into those at even times and the others.

Meters that are read at even times, once each, with every reading known, are matrices of
readings. Most of them give plain differences; readings of the other meters go through SQL,
which also decides which of several readings counts.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipelines.stages.profile.grid_reads import (
    MOST_CELLS,
    OTHER,
    WHOLE_MIN,
    GridReads,
    Matrix,
    matrix_of,
    month_span_us,
)
from rightsize.demand.month_grid import ABSENT, HOUR_US, MINUTE_US
from rightsize.demand.month_readings import rises


@dataclass(frozen=True)
class RegisterReads:
    """Readings of a month's files (the first `month_rows` rows) and of the next month's.

    `reads.gal` are the readings [gal]; `rows_of_file` are those of the month's files.
    """

    reads: GridReads
    rows_of_file: list[slice]
    month_rows: int

    @property
    def in_month(self) -> NDArray[np.bool_]:
        """Meters that have a reading in the month's files."""
        return self._met(slice(self.month_rows))

    @property
    def in_next(self) -> NDArray[np.bool_]:
        """Meters that have a reading in the next month's files."""
        return self._met(slice(self.month_rows, None))

    def _met(self, rows: slice) -> NDArray[np.bool_]:
        return np.bincount(self.reads.meter[rows], minlength=len(self.reads.names)) > 0

    def evenly_read(self) -> tuple[NDArray[np.int64], NDArray[np.int32]]:
        """Minutes between readings and minute of the last one, of each meter.

        0 minutes if a reading of the meter is unknown, or if its times cannot be even.
        """
        meter, minute = self.reads.meter, self.reads.minute
        count = np.bincount(meter, minlength=len(self.reads.names))
        first = np.full(len(count), np.iinfo(np.int32).max, np.int32)
        last = np.full(len(count), np.iinfo(np.int32).min, np.int32)
        np.minimum.at(first, meter, minute)
        np.maximum.at(last, meter, minute)
        length, rest = np.divmod(last.astype(np.int64) - first, np.maximum(count - 1, 1))
        is_even = (count > 1) & (rest == 0) & np.isin(length, WHOLE_MIN)
        step = np.where(is_even, length, 60).astype(np.int32)
        for rows in self.reads.batches():
            kind, of_row = self.reads.kind[rows], meter[rows]
            odd = (kind == OTHER) | (kind == ABSENT) | ~np.isfinite(self.reads.gal[rows])
            odd |= minute[rows] % step[of_row] != 0
            is_even[of_row[odd]] = False
        return np.where(is_even, length, 0), last


def register_matrices(
    registers: RegisterReads, chosen: NDArray[np.bool_], timezone: str
) -> Iterator[Matrix]:
    """Volumes of the month of those of the chosen meters that are read at even times.

    Meters that need a closer look count as `repeated`.
    """
    reads, month = registers.reads, registers.reads.minute[: registers.month_rows]
    first_us = int(month.min()) // 60 * HOUR_US
    begin_us, end_us = month_span_us(first_us, int(month.max()) * MINUTE_US, timezone)
    later = reads.minute[registers.month_rows :]
    if len(later) and int(later.min()) * MINUTE_US < end_us:
        return
    length, last = registers.evenly_read()
    length[~(chosen & registers.in_month)] = 0
    for minutes in (int(m) for m in np.unique(length) if m > 0):
        group = np.flatnonzero(length == minutes)
        step_us = minutes * MINUTE_US
        columns = (end_us - begin_us) // step_us
        last_us = int(last[group].max()) * MINUTE_US
        width = max(columns, (last_us - begin_us) // step_us) + 1
        most = max(1, MOST_CELLS // width)
        for at in range(0, len(group), most):
            meters = group[at : at + most]
            read = matrix_of(reads, meters, minutes, width, begin_us)
            found = rises(read.gal, read.kind, columns)
            left = read.repeated | ~found.is_plain
            yield Matrix(meters, minutes, begin_us, found.gal, found.kind, repeated=left)


def volumes_by_row(
    registers: RegisterReads, matrix: Matrix, volume_gal: NDArray[np.float64]
) -> None:
    """Put the volume that each reading of the month starts into the row of the reading."""
    reads = registers.reads
    row_of = np.full(len(reads.names), -1, np.int64)
    row_of[matrix.meters[~matrix.repeated]] = np.flatnonzero(~matrix.repeated)
    begin_step = matrix.first_us // (matrix.interval_min * MINUTE_US)
    for rows in reads.batches():
        part = slice(rows.start, min(rows.stop, registers.month_rows))
        row = row_of[reads.meter[part]]
        at = np.flatnonzero(row >= 0)
        step = reads.minute[part][at] // np.int32(matrix.interval_min) - begin_step
        volume_gal[part][at] = matrix.gal[row[at], step]
