"""Columns of a lake file as numbers: names and words by number, times in microseconds."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from numpy.typing import NDArray


class LakeWords:
    """Numbers that stand for the words of a column of one file.

    DuckDB writes the unused words of an enumeration as empty ones, and Arrow drops words that
    repeat but leaves the rows' numbers as they are in the file. So the numbers in use, in
    order, belong to the words that are not empty. Where that cannot be, words are read again.
    """

    def __init__(
        self, path: Path, name: str, numbers_of: Callable[[list[str]], NDArray[Any]]
    ) -> None:
        self._path, self._name, self._numbers_of = path, name, numbers_of
        self._words: pa.Array | None = None
        self._numbers: NDArray[Any] = np.empty(0)

    def values(self, group: int, rows: pa.Table) -> NDArray[Any]:
        """The number of each row of a row group."""
        column = rows[self._name]
        found = column.chunk(0) if column.num_chunks == 1 and not column.null_count else None
        if found is not None and pa.types.is_dictionary(found.type):
            codes = found.indices.to_numpy()
            used = np.flatnonzero(np.bincount(codes))
            words = found.dictionary.filter(pc.not_equal(found.dictionary, ""))
            if len(used) == len(words):
                place = np.zeros(int(used[-1]) + 1, np.int32)
                place[used] = np.arange(len(used), dtype=np.int32)
                of_rows: NDArray[Any] = self._of(words, place)[codes]
                return of_rows
        return self._read_again(group)

    def _of(self, words: pa.Array, place: NDArray[np.int32]) -> NDArray[Any]:
        """The numbers of words, of which most row groups have the same."""
        if self._words is None or not words.equals(self._words):
            self._words, self._numbers = words, self._numbers_of(words.to_pylist())
        found: NDArray[Any] = self._numbers[place]
        return found

    def _read_again(self, group: int) -> NDArray[Any]:
        with pq.ParquetFile(self._path) as file:
            table = file.read_row_group(group, columns=[self._name], use_threads=False)
        found = pc.fill_null(table[self._name].cast(pa.string()), "")
        found = found.combine_chunks().dictionary_encode()
        return self._of(found.dictionary, found.indices.to_numpy())


def microseconds(column: pa.ChunkedArray) -> NDArray[np.int64]:
    """A column of times [us since 1970, UTC]."""
    if column.type.unit != "us":
        column = column.cast(pa.timestamp("us", column.type.tz))
    found: NDArray[np.int64] = column.cast(pa.int64()).to_numpy()
    return found
