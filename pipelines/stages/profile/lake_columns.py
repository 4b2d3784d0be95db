"""Reads of a partition's lake files as columns of numbers, for matrices.

Names and qualities are dictionaries in the files, so a read's meter is known by its number
without looking at a name; Arrow hands these numbers over as they are. A row group at a
time, so that only the columns themselves take memory.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from pipelines.stages.profile.grid_reads import OTHER, GridReads
from pipelines.stages.profile.register_reads import RegisterReads
from pipelines.store.lake.lake_words import LakeWords, microseconds
from rightsize.demand.month_grid import ABSENT, ESTIMATED, MEASURED, MINUTE_US
from rightsize.demand.month_readings import EDITED

_KINDS: Final = {
    "measured": MEASURED,
    "edited": MEASURED,
    "estimated": ESTIMATED,
    "questionable": ESTIMATED,
    "missing": ABSENT,
}
_KINDS_OF_READINGS: Final = {**_KINDS, "edited": EDITED}
_LENGTH: Final = "interval_min"
_PEAK: Final = "peak_register_gpm"
_WORDS: Final = ("meter_id", "quality")


@dataclass(frozen=True)
class LakeReads:
    """Reads of a partition, and which rows of them are each file's, in the files' order."""

    reads: GridReads
    rows_of_file: list[slice]


def lake_reads(files: Sequence[Path]) -> LakeReads:
    """Read lake files; meters are numbered from 0 in the order of their names."""
    footers = [pq.read_metadata(path) for path in files]
    ends = np.cumsum([footer.num_rows for footer in footers]).tolist()
    lengths = {_only_value(footer, _LENGTH) for footer in footers}
    columns = _Columns(
        ends[-1],
        of_reads=("start_at", "registered_gal"),
        kinds=_KINDS,
        one_length_min=lengths.pop() if len(lengths) == 1 else None,
        has_peaks=any(_only_value(footer, _PEAK) is not _NOTHING for footer in footers),
    )
    for path in files:
        columns.add_file(path)
    return LakeReads(columns.reads(), _slices(ends))


def lake_readings(files: Sequence[Path], next_files: Sequence[Path]) -> RegisterReads:
    """Read register files of a month and of the next one."""
    ends = np.cumsum([pq.read_metadata(path).num_rows for path in files]).tolist()
    rows = sum(pq.read_metadata(path).num_rows for path in next_files)
    columns = _Columns(
        ends[-1] + rows,
        of_reads=("read_at", "reading_gal"),
        kinds=_KINDS_OF_READINGS,
        one_length_min=0.0,
        has_peaks=False,
    )
    for path in (*files, *next_files):
        columns.add_file(path)
    return RegisterReads(columns.reads(), _slices(ends), ends[-1])


def _slices(ends: list[int]) -> list[slice]:
    return list(map(slice, [0, *ends[:-1]], ends))


class _Columns:
    """Columns of a partition, filled batch by batch.

    `of_reads` are the names of the columns of times and of volumes or readings.
    """

    def __init__(
        self,
        rows: int,
        *,
        of_reads: tuple[str, str],
        kinds: Mapping[str, int],
        one_length_min: float | None,
        has_peaks: bool,
    ) -> None:
        self._at = 0
        self._numbers: dict[str, int] = {}
        self._peaks: list[tuple[NDArray[np.int32], NDArray[np.float64]]] = []
        self._meter, self._minute = (np.empty(rows, np.int32) for _ in range(2))
        self._gal, self._kind = np.empty(rows), np.empty(rows, np.uint8)
        one = [] if one_length_min is None else [one_length_min]
        self._length = np.array(one, np.float32) if one else np.empty(rows, np.float32)
        self._time, self._volume = of_reads
        self._kinds = kinds
        self._names = [*_WORDS, *of_reads]
        self._names += ([] if one else [_LENGTH]) + ([_PEAK] if has_peaks else [])

    def add_file(self, path: Path) -> None:
        """Add a lake file's reads."""
        meters, kinds = (
            LakeWords(path, name, of)
            for name, of in (("meter_id", self._number), ("quality", self._kind_of))
        )
        with pq.ParquetFile(path, read_dictionary=list(_WORDS)) as file:
            for group in range(file.num_row_groups):
                rows = file.read_row_group(group, columns=self._names, use_threads=False)
                self._add(rows, meters.values(group, rows), kinds.values(group, rows))

    def _add(self, group: pa.Table, meter: NDArray[Any], kind: NDArray[Any]) -> None:
        rows = slice(self._at, self._at + group.num_rows)
        self._at = rows.stop
        self._meter[rows], self._kind[rows] = meter, kind
        start_us = microseconds(group.column(self._time))
        minute = start_us // MINUTE_US
        self._minute[rows] = minute
        self._kind[rows][minute * MINUTE_US != start_us] = OTHER
        self._gal[rows] = _numbers(group.column(self._volume))
        if _LENGTH in self._names:
            self._length[rows] = _numbers(group.column(_LENGTH))
        if _PEAK in self._names:
            peak_gpm = _numbers(group.column(_PEAK)).astype(np.float64)
            at = np.flatnonzero(~np.isnan(peak_gpm) & (self._kind[rows] != ABSENT))
            self._peaks.append((self._meter[rows][at], peak_gpm[at]))

    def _number(self, names: list[str]) -> NDArray[np.int32]:
        """The numbers of meters, in the order in which they are met."""
        known = self._numbers
        return np.array([known.setdefault(name, len(known)) for name in names], np.int32)

    def _kind_of(self, words: list[str]) -> NDArray[np.uint8]:
        return np.array([self._kinds.get(word, OTHER) for word in words], np.uint8)

    def reads(self) -> GridReads:
        """All reads; meters are now numbered in the order of their names."""
        names = np.array(list(self._numbers), dtype=object)
        order = np.argsort(names)
        place = np.empty(len(names), np.int32)
        place[order] = np.arange(len(names), dtype=np.int32)
        if (np.diff(place) < 0).any():
            self._meter = np.take(place, self._meter)
        peak_gpm = np.full(len(names), np.nan)
        for meter, gpm in self._peaks:
            np.fmax.at(peak_gpm, place[meter], gpm)
        return GridReads(
            names=names[order],
            peak_gpm=peak_gpm,
            meter=self._meter,
            minute=self._minute,
            interval_min=self._length,
            gal=self._gal,
            kind=self._kind,
        )


_NOTHING: Final = float("nan")
"""The only value of a column without any."""


def _only_value(footer: pq.FileMetaData, name: str) -> float | None:
    """The one value of a column, if the footer says that all rows have it."""
    at = footer.schema.to_arrow_schema().get_field_index(name)
    found = set()
    for group in (footer.row_group(k) for k in range(footer.num_row_groups)):
        said = group.column(at).statistics
        if said is None or not said.has_null_count:
            return None
        if said.null_count == group.num_rows:
            found.add(_NOTHING)
        elif said.null_count or not said.has_min_max or said.min != said.max:
            return None
        else:
            found.add(said.min)
    return found.pop() if len(found) == 1 else None


def _numbers(column: pa.ChunkedArray) -> NDArray[Any]:
    """Numbers of a column, not-a-number where there is none."""
    found: NDArray[Any] = column.to_numpy()
    return found
