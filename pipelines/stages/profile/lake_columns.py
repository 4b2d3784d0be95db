"""Interval reads of a partition's lake files as columns of numbers, for matrices.

Names and qualities are dictionaries in the files, so a read's meter is known by its number
without looking at a name; Arrow hands these numbers over as they are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from pipelines.stages.profile.grid_reads import OTHER, GridReads
from rightsize.demand.month_grid import ABSENT, ESTIMATED, MEASURED

Rows = dict[str, NDArray[Any]]

_KINDS: Final = {
    "measured": MEASURED,
    "edited": MEASURED,
    "estimated": ESTIMATED,
    "questionable": ESTIMATED,
    "missing": ABSENT,
}
_WORDS: Final = ("meter_id", "quality")
_NUMBERS: Final = ("start_at", "interval_min", "registered_gal")
_PEAK: Final = "peak_register_gpm"


@dataclass(frozen=True)
class LakeColumns:
    """Reads of a partition: each file's rows, in the files' order, and the meters' names."""

    names: NDArray[np.object_]
    peak_gpm: NDArray[np.float64]
    by_file: list[Rows]

    def reads(self) -> GridReads:
        """The reads of all files together."""
        return reads_of_rows(self.names, self.peak_gpm, _joined(self.by_file))


def lake_columns(files: Sequence[Path]) -> LakeColumns:
    """Read lake files; meters are numbered from 0 in the order of their names."""
    read = [_read(path) for path in files]
    named = np.concatenate([names for names, _, _ in read])
    names, number = np.unique(named, return_inverse=True)
    of_file = np.split(number.astype(np.int32), np.cumsum([len(n) for n, _, _ in read])[:-1])
    peak_gpm = np.full(len(names), np.nan)
    by_file = []
    for numbers, (_, rows, peaks) in zip(of_file, read, strict=True):
        rows["meter"] = np.take(numbers, rows["meter"])
        if peaks is not None:
            at = np.flatnonzero(~np.isnan(peaks) & (rows["kind"] != ABSENT))
            np.fmax.at(peak_gpm, rows["meter"][at], peaks[at])
        by_file.append(rows)
    return LakeColumns(names, peak_gpm, by_file)


def reads_of_rows(names: NDArray[Any], peak_gpm: NDArray[np.float64], rows: Rows) -> GridReads:
    """Reads from columns of rows; `peak_gpm` is that of each named meter."""
    return GridReads(
        names=names,
        peak_gpm=peak_gpm,
        meter=rows["meter"],
        start_us=rows["start_us"],
        interval_min=rows["interval_min"],
        gal=rows["gal"],
        kind=rows["kind"],
    )


def _read(path: Path) -> tuple[NDArray[Any], Rows, NDArray[np.float64] | None]:
    """Names of a file's meters, its rows with their number among these, and recorded peaks."""
    with pq.ParquetFile(path, read_dictionary=list(_WORDS)) as file:
        has_peaks = not _is_empty(file.metadata, _PEAK)
        columns = [*_WORDS, *_NUMBERS, *([_PEAK] if has_peaks else [])]
        table = file.read(columns, use_threads=False)
    meter, quality = (_encoded(table, name) for name in _WORDS)
    words = quality.dictionary.to_pylist()
    kinds = np.array([*(_KINDS.get(word, OTHER) for word in words), OTHER], np.uint8)
    of_word = quality.indices.fill_null(len(words)).to_numpy(zero_copy_only=False)
    peaks = _numbers(table, _PEAK).astype(np.float64) if has_peaks else None
    rows = {
        "meter": meter.indices.to_numpy(zero_copy_only=False),
        "start_us": table["start_at"]
        .cast(pa.timestamp("us", "UTC"))
        .cast(pa.int64())
        .to_numpy(),
        "interval_min": _numbers(table, "interval_min").astype(np.float32, copy=False),
        "gal": _numbers(table, "registered_gal").astype(np.float64, copy=False),
        "kind": np.take(kinds, of_word),
    }
    return meter.dictionary.to_numpy(zero_copy_only=False), rows, peaks


def _encoded(table: pa.Table, name: str) -> pa.DictionaryArray:
    column = table[name]
    if not pa.types.is_dictionary(column.type):
        column = column.dictionary_encode()
    found = column.unify_dictionaries().combine_chunks()
    if isinstance(found, pa.ChunkedArray):  # of a file without rows
        return found.chunk(0) if found.num_chunks else pa.array([], column.type)
    return found


def _numbers(table: pa.Table, name: str) -> NDArray[Any]:
    found: NDArray[Any] = table[name].to_numpy()
    return found


def _is_empty(footer: pq.FileMetaData, name: str) -> bool:
    """Whether the footer says that a column holds no value."""
    at = footer.schema.to_arrow_schema().get_field_index(name)
    for group in range(footer.num_row_groups):
        said = footer.row_group(group).column(at).statistics
        if said is None or not said.has_null_count:
            return False
        if said.null_count < footer.row_group(group).num_rows:
            return False
    return True


def _joined(by_file: list[Rows]) -> Rows:
    if len(by_file) == 1:
        return by_file[0]
    return {name: np.concatenate([rows[name] for rows in by_file]) for name in by_file[0]}
