"""Interval reads of a partition's lake files as columns of numbers, for matrices.

Names and qualities are dictionaries in the files, so a read's meter is known by its number
without looking at a name; Arrow hands these numbers over as they are. A batch at a time, so
that only the columns themselves take memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from pipelines.stages.profile.grid_reads import BATCH_ROWS, OTHER, GridReads
from rightsize.demand.month_grid import ABSENT, ESTIMATED, MEASURED, MINUTE_US

_KINDS: Final = {
    "measured": MEASURED,
    "edited": MEASURED,
    "estimated": ESTIMATED,
    "questionable": ESTIMATED,
    "missing": ABSENT,
}
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
        one_length_min=lengths.pop() if len(lengths) == 1 else None,
        has_peaks=any(_only_value(footer, _PEAK) is not _NOTHING for footer in footers),
    )
    for path in files:
        columns.add_file(path)
    begins = [0, *ends[:-1]]
    return LakeReads(columns.reads(), list(map(slice, begins, ends)))


class _Columns:
    """Columns of a partition, filled batch by batch."""

    def __init__(self, rows: int, *, one_length_min: float | None, has_peaks: bool) -> None:
        self._at = 0
        self._numbers: dict[str, int] = {}
        self._peaks: list[tuple[NDArray[np.int32], NDArray[np.float64]]] = []
        self._meter, self._minute = (np.empty(rows, np.int32) for _ in range(2))
        self._gal, self._kind = np.empty(rows), np.empty(rows, np.uint8)
        one = [] if one_length_min is None else [one_length_min]
        self._length = np.array(one, np.float32) if one else np.empty(rows, np.float32)
        self._names = [*_WORDS, "start_at", "registered_gal"]
        self._names += ([] if one else [_LENGTH]) + ([_PEAK] if has_peaks else [])

    def add_file(self, path: Path) -> None:
        """Add a lake file's reads."""
        meters = _Dictionary(self._number)
        kinds = _Dictionary(lambda words: np.array([*map(_kind, words), OTHER], np.uint8))
        with pq.ParquetFile(path, read_dictionary=list(_WORDS)) as file:
            for batch in file.iter_batches(BATCH_ROWS, columns=self._names, use_threads=False):
                self._add(batch, meters, kinds)

    def _add(self, batch: pa.RecordBatch, meters: _Dictionary, kinds: _Dictionary) -> None:
        rows = slice(self._at, self._at + batch.num_rows)
        self._at = rows.stop
        self._meter[rows] = meters.values(batch.column("meter_id"))
        self._kind[rows] = kinds.values(batch.column("quality"))
        start_us = _start_us(batch.column("start_at"))
        minute = start_us // MINUTE_US
        self._minute[rows] = minute
        self._kind[rows][minute * MINUTE_US != start_us] = OTHER
        self._gal[rows] = _numbers(batch.column("registered_gal"))
        if _LENGTH in self._names:
            self._length[rows] = _numbers(batch.column(_LENGTH))
        if _PEAK in self._names:
            peak_gpm = _numbers(batch.column(_PEAK)).astype(np.float64)
            at = np.flatnonzero(~np.isnan(peak_gpm) & (self._kind[rows] != ABSENT))
            self._peaks.append((self._meter[rows][at], peak_gpm[at]))

    def _number(self, names: list[str]) -> NDArray[np.int32]:
        """The numbers of meters, in the order in which they are met."""
        known = self._numbers
        return np.array([known.setdefault(name, len(known)) for name in names], np.int32)

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


@dataclass
class _Dictionary:
    """Values that stand for the words of a column; most batches have the same dictionary."""

    made_of: Any  # words to values; one more value than words stands for none
    _words: pa.Array | None = None
    _values: NDArray[Any] = field(default_factory=lambda: np.empty(0))

    def values(self, column: pa.Array) -> NDArray[Any]:
        """The value of each row."""
        if not pa.types.is_dictionary(column.type):
            column = column.dictionary_encode()
        if self._words is None or not column.dictionary.equals(self._words):
            self._words = column.dictionary
            self._values = self.made_of(column.dictionary.to_pylist())
        found = column.indices
        if found.null_count:
            found = found.fill_null(len(column.dictionary))
        of_rows: NDArray[Any] = np.take(self._values, found.to_numpy(zero_copy_only=False))
        return of_rows


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


def _kind(word: str | None) -> int:
    return _KINDS.get(word or "", OTHER)


def _start_us(column: pa.Array) -> NDArray[np.int64]:
    if column.type.unit != "us":
        column = column.cast(pa.timestamp("us", column.type.tz))
    found: NDArray[np.int64] = column.view(pa.int64()).to_numpy(zero_copy_only=False)
    return found


def _numbers(column: pa.Array) -> NDArray[Any]:
    """Numbers of a column, not-a-number where there is none."""
    found: NDArray[Any] = column.to_numpy(zero_copy_only=False)
    return found
