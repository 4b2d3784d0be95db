"""The step in which each meter's register counts, from a month of volumes on a grid.

`sql/30_profile/register_step.sql` gives the rule and finds the same steps for reads of any
kind. Volumes are whole millionths of a gallon here: differences of them are exact.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rightsize.demand.month_grid import DistinctVolumes

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

_MICRO: Final = 1e6  # to a gallon
_LEAST_STEP: Final = 100  # 1e-4 gal: below it rounding, not a step
_LEVELS: Final = 3  # differences, differences of those, and once more
_ODD_SHARE: Final = 0.01  # of a meter's reads: fewer of one volume are searched apart
_FIT_SHARE: Final = 0.95
_FEWEST_READS: Final = 5
_TOLERANCE: Final = 0.05  # of a step
_PERCENTS: Final = (5, 25)  # ranks of the differences that are tried


@dataclass(frozen=True)
class Volumes:
    """Different values of each row, ascending: row, value [1e-6 gal], number of reads."""

    row: Ints
    value: Ints
    count: Ints

    @classmethod
    def of(cls, distinct: DistinctVolumes) -> Volumes:
        """The volumes above zero, to a millionth of a gallon."""
        micro = np.floor(distinct.gal * _MICRO + 0.5)
        micro[distinct.gal < 1 / _MICRO] = 0.0
        seen = micro > 0
        row, value, count = (
            distinct.row[seen],
            micro[seen].astype(np.int64),
            distinct.count[seen],
        )
        is_new = np.ones(len(row), bool)
        is_new[1:] = (row[1:] != row[:-1]) | (value[1:] != value[:-1])
        if is_new.all():
            return cls(row, value, count)
        at = np.flatnonzero(is_new)
        return cls(row[at], value[at], np.add.reduceat(count, at))

    def where(self, chosen: NDArray[np.bool_]) -> Volumes:
        """Some of the values."""
        return Volumes(self.row[chosen], self.value[chosen], self.count[chosen])


def month_steps(distinct: DistinctVolumes, meters: int) -> Floats:
    """Register step [gal] of each meter; not-a-number where its reads show none."""
    volumes = Volumes.of(distinct)
    found = np.full(meters, np.nan)
    if not len(volumes.row):
        return found
    total = np.bincount(volumes.row, volumes.count, minlength=meters)
    usual = volumes.count > _ODD_SHARE * total[volumes.row]
    has_odd = np.zeros(meters, bool)
    has_odd[volumes.row[~usual]] = True
    tried = [*_candidates(volumes), *_candidates(volumes.where(usual & has_odd[volumes.row]))]
    row, step = _distinct_pairs(
        np.concatenate([r for r, _ in tried]), np.concatenate([v for _, v in tried])
    )
    wanted = (step >= _LEAST_STEP) & (total[row] >= _FEWEST_READS)
    row, step = row[wanted], step[wanted]
    fits = _fitting_reads(volumes, row, step, meters) >= _FIT_SHARE * total[row]
    np.fmax.at(found, row[fits], step[fits] / _MICRO)
    return found


def _candidates(volumes: Volumes) -> list[tuple[Ints, Ints]]:
    """Steps to try, as (rows, values): what differences of volumes have in common."""
    row, value = volumes.row, volumes.value
    found = []
    for _ in range(_LEVELS):
        if not len(row):
            break
        rise = _rises(row, value)
        row, value = _sorted_pairs(row, rise)
        found += _told(row, value)
        is_new = np.ones(len(row), bool)
        is_new[1:] = (row[1:] != row[:-1]) | (value[1:] != value[:-1])
        row, value = row[is_new], value[is_new]
    return found


def _rises(row: Ints, value: Ints) -> Ints:
    """Difference of each value to the one before it in its row; of the first, to zero."""
    rise = value.copy()
    same = row[1:] == row[:-1]
    rise[1:][same] -= value[:-1][same]
    return rise


def _told(row: Ints, value: Ints) -> list[tuple[Ints, Ints]]:
    """Smallest, most frequent and two low ranks of the sorted values of each row."""
    first = np.flatnonzero(np.append(True, row[1:] != row[:-1]))
    size = np.diff(np.append(first, len(row)))
    rows = row[first]
    told = [(rows, value[first])]
    for percent in _PERCENTS:
        rank = np.maximum(1, size - (100 - percent) * size // 100) - 1
        told.append((rows, value[first + rank]))
    run = np.flatnonzero(np.append(True, (row[1:] != row[:-1]) | (value[1:] != value[:-1])))
    length = np.diff(np.append(run, len(row)))
    most = np.zeros(int(row[-1]) + 1, np.int64)
    np.maximum.at(most, row[run], length)
    frequent = run[length == most[row[run]]]
    once = np.append(True, row[frequent][1:] != row[frequent][:-1])
    told.append((row[frequent][once], value[frequent][once]))
    return told


def _fitting_reads(volumes: Volumes, row: Ints, step: Ints, rows: int) -> Floats:
    """Reads of each candidate's meter that are whole multiples of it, within the tolerance."""
    if not len(row):
        return np.zeros(0)
    first = np.searchsorted(volumes.row, np.arange(rows + 1))
    size = np.diff(first)[row]
    begin = np.cumsum(size) - size
    at = np.arange(size.sum()) - np.repeat(begin - first[row], size)
    value, each = volumes.value[at], np.repeat(step, size)
    ratio = value / each
    fits = (np.abs(ratio - np.rint(ratio)) < _TOLERANCE) & (value > 0.5 * each)
    return np.add.reduceat(volumes.count[at] * fits, begin).astype(np.float64)


def _sorted_pairs(row: Ints, value: Ints) -> tuple[Ints, Ints]:
    """Pairs by row, then value; sorted as one number where both fit into it."""
    bits = int(value.max()).bit_length()
    if int(row.max()).bit_length() + bits < 63:
        both = np.sort((row << bits) | value)
        return both >> bits, both & ((1 << bits) - 1)
    order = np.lexsort((value, row))
    return row[order], value[order]


def _distinct_pairs(row: Ints, value: Ints) -> tuple[Ints, Ints]:
    row, value = _sorted_pairs(row, value)
    is_new = np.append(True, (row[1:] != row[:-1]) | (value[1:] != value[:-1]))
    return row[is_new], value[is_new]
