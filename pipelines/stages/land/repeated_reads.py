"""How many reads of a lake file repeat a meter and time.

Exports list a meter's reads one after another and in order. Where a file does, nothing repeats,
and it takes one look at neighbors to know; only reads of other meters are compared.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow.parquet as pq
from numpy.typing import NDArray

from pipelines.sources.staged import Kind
from pipelines.store.lake.lake_words import LakeWords, microseconds

MOST_AT_ONCE: Final = 8_000_000
"""Reads that are compared at once, 16 bytes each; beyond it some meters after others."""
_TIMES: Final[dict[Kind, str]] = {"interval": "start_at", "register": "read_at"}
_LARGEST: Final = np.iinfo(np.int64).max

Meters = NDArray[np.int32]
Times = NDArray[np.int64]


def repeated_count(path: Path, kind: Kind) -> int:
    """Reads beyond the first of a meter and time."""
    reads = _LakeFile(path, _TIMES[kind])
    doubtful = reads.doubtful()
    if not doubtful.any():
        return 0
    turns = -(-reads.row_count // MOST_AT_ONCE)
    turn = np.arange(len(doubtful)) % turns
    return sum(_beyond_first(*reads.of(doubtful & (turn == k))) for k in range(turns))


class _LakeFile:
    """Meter, by number, and time of the reads of a file, a row group at a time."""

    def __init__(self, path: Path, time: str) -> None:
        self._path, self._time = path, time
        self._numbers: dict[str, int] = {}
        self.row_count = pq.read_metadata(path).num_rows
        self._kept: list[tuple[Meters, Times]] = []

    def doubtful(self) -> NDArray[np.bool_]:
        """The meters whose reads do not lie together, or not in order of time."""
        runs, disordered = np.zeros(0, np.int64), np.zeros(0, np.bool_)
        last_meter, last_us = -1, 0
        for meter, us in self._groups():
            more = len(self._numbers) - len(runs)
            runs, disordered = np.pad(runs, (0, more)), np.pad(disordered, (0, more))
            begins = np.append(meter[0] != last_meter, meter[1:] != meter[:-1])
            is_back = np.append(us[0] <= last_us, us[1:] <= us[:-1])
            runs += np.bincount(meter[begins], minlength=len(runs))
            disordered[meter[is_back & ~begins]] = True
            last_meter, last_us = int(meter[-1]), int(us[-1])
        return disordered | (runs > 1)

    def of(self, chosen: NDArray[np.bool_]) -> tuple[Meters, Times]:
        """The reads of some meters."""
        found = [(m[keep], us[keep]) for m, us in self._groups() for keep in (chosen[m],)]
        meter, us = zip(*found, strict=True)
        return np.concatenate(meter), np.concatenate(us)

    def _groups(self) -> Iterator[tuple[Meters, Times]]:
        """Read once where they fit into memory, otherwise each time."""
        if self._kept:
            return iter(self._kept)
        if self.row_count > MOST_AT_ONCE:
            return self._read()
        self._kept = list(self._read())
        return iter(self._kept)

    def _read(self) -> Iterator[tuple[Meters, Times]]:
        words = LakeWords(self._path, "meter_id", self._number)
        with pq.ParquetFile(self._path, read_dictionary=["meter_id"]) as file:
            for group in range(file.num_row_groups):
                rows = file.read_row_group(
                    group, columns=["meter_id", self._time], use_threads=False
                )
                if rows.num_rows:
                    yield words.values(group, rows), microseconds(rows.column(self._time))

    def _number(self, names: list[str]) -> Meters:
        known = self._numbers
        return np.array([known.setdefault(name, len(known)) for name in names], np.int32)


def _beyond_first(meter: Meters, us: Times) -> int:
    """Reads beyond the first of a meter and time, by sorting both as one number."""
    if not len(us):
        return 0
    meters, first_us = int(meter.max()) + 1, int(us.min())
    if (int(us.max()) - first_us + 1) * meters > _LARGEST:  # times centuries apart
        order = np.lexsort((us, meter))
        meter, us = meter[order], us[order]
        return int(np.count_nonzero((meter[1:] == meter[:-1]) & (us[1:] == us[:-1])))
    both = (us - first_us) * meters + meter
    both.sort()
    return int(np.count_nonzero(both[1:] == both[:-1]))
