"""Register readings of a month as a matrix: one row a meter, one column an interval.

Between two readings of a register that never sticks, and goes back by a usual step at most, the
volume is their difference. `sql/30_profile/interval_from_register.sql` knows the other cases,
and is the reference of this module's tests.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rightsize.demand.month_grid import ABSENT, ESTIMATED, MEASURED, Bools, Floats

EDITED: Final = 3
"""Kind of a reading beside those of a cell: a period that it starts counts as measured."""

_STRETCH: Final = 7  # equal readings, after which a rise may be that of a stuck register
_LEAST, _MOST = 0.2, 5.0  # of the usual volume of the stretch: the rise is about that
_LEAP: Final = 3  # usual steps: the rise is larger
_USUAL_SHARE: Final = 0.95  # of a meter's rises: the usual step is no smaller
_ROLLED_OVER: Final = 8  # times the next reading: a register that starts anew falls further
_ROUNDING: Final = 1e-9
_BLOCK_CELLS: Final = 1 << 18
_KINDS: Final = np.zeros((4, 4), np.uint8)
"""Kind of a period, by those of the readings that start and end it."""
_KINDS[ESTIMATED, 1:] = ESTIMATED
_KINDS[EDITED, 1:] = MEASURED
_KINDS[MEASURED, 1:] = MEASURED, ESTIMATED, MEASURED


@dataclass(frozen=True)
class Rises:
    """Volumes [gal] (meters, columns) from each reading to the next, and their kinds.

    A cell without a period has volume 0 and kind `ABSENT`.
    `is_plain` are the meters whose volumes these are; the others need a closer look.
    """

    gal: Floats
    kind: NDArray[np.uint8]
    is_plain: Bools


def rises(reading_gal: Floats, kind: NDArray[np.uint8], columns: int) -> Rises:
    """Volumes of the periods that start in the first columns of a matrix of readings.

    Parameters
    ----------
    reading_gal, kind : array (meters, more than `columns`)
        Readings [gal] and their kinds, `ABSENT` where there is none: before a meter's first
        reading and after its last. All of them tell whether a register goes back or sticks.
    columns
        How many columns are of this month.
    """
    meters, width = reading_gal.shape
    gal, found = np.zeros((meters, columns)), np.zeros((meters, columns), np.uint8)
    is_plain = np.zeros(meters, bool)
    size = max(1, _BLOCK_CELLS // width)
    for at in range(0, meters, size):
        rows = slice(at, at + size)
        own, own_kind = reading_gal[rows], kind[rows]
        both = _KINDS.ravel()[own_kind[:, :-1] * np.uint8(4) + own_kind[:, 1:]]
        is_period = both != ABSENT
        rise = np.where(is_period, own[:, 1:] - own[:, :-1], 0.0)
        is_plain[rows] = ~_needs_a_closer_look(own, rise, is_period)
        gal[rows], found[rows] = rise[:, :columns], both[:, :columns]
    return Rises(gal, found, is_plain)


def _needs_a_closer_look(reading_gal: Floats, rise: Floats, is_period: Bools) -> Bools:
    """Rows with a leap after a stretch of equal readings, or that go back by more than usual.

    Bounds lie on the safe side of rounding: a row too many costs time, one too few a finding.
    """
    meters, width = rise.shape
    at = np.flatnonzero(rise)
    row, column, gal = at // width, at % width, rise.ravel()[at]
    is_up = gal > 0
    periods = np.maximum(np.count_nonzero(is_period, axis=1), 1)
    usual_gal = np.bincount(row[is_up], gal[is_up], minlength=meters) / periods
    before = np.append(-1, column[:-1])[: len(row)]
    is_first = np.append(True, row[1:] != row[:-1])[: len(row)]
    before[is_first] = np.argmax(is_period, axis=1)[row[is_first]] - 1
    stretch_gal = usual_gal[row] * (column - before)
    is_leap = (column - before >= _STRETCH) & (gal <= _MOST * stretch_gal * (1 + _ROUNDING))
    is_leap &= is_up & (gal >= _LEAST * stretch_gal * (1 - _ROUNDING))
    least_step = np.zeros(meters)  # [gal] the usual step of a row is no smaller, or it is left
    np.maximum.at(least_step, row[is_leap], gal[is_leap] / _LEAP * (1 + _ROUNDING))
    np.maximum.at(least_step, row[~is_up], -gal[~is_up])
    below = np.bincount(row[is_up & (gal < least_step[row])], minlength=meters)
    count = np.bincount(row[is_up], minlength=meters)
    found: Bools = below > np.floor(_USUAL_SHARE * (count - 1) - _ROUNDING)
    found &= least_step > 0
    own = reading_gal.ravel()[row * (width + 1) + column]
    found[row[~is_up & ((own + gal) * _ROLLED_OVER <= own)]] = True
    return found
