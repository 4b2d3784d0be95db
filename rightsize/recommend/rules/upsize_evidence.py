"""Whether anything but the inferred peak shows that a meter is too small.

A peak of 10 s is inferred from reads of an hour. Before a larger meter is bought, something
must confirm it: a complaint of low pressure or flow, a pressure record, the register's own
peak, a log, or the reads themselves (common practice).
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from rightsize.contracts.profiles import ProfileBlock

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

HOUR_MIN: Final = 60.0  # [min] reads no longer than that show the sustained flow itself


def is_shown_too_small(
    block: ProfileBlock,
    recorded: tuple[str | None, ...],
    rows: slice,
    *,
    smoc_gpm: Array,
    odds_over_continuous: Array,
    odds_of_undersized: float,
) -> Flags:
    """Accounts in `rows` whose overload is recorded, not only inferred [A].

    Parameters
    ----------
    block : ProfileBlock
        What the reads show, and the peak registers.
    recorded : tuple
        Evidence of the meter list; None for none.
    smoc_gpm : array [A]
        Safe maximum operating capacity of the installed meter.
    odds_over_continuous : array [A]
        Odds that sustained flow, the mean of an hour, exceeds its continuous rating.
    odds_of_undersized : float
        Odds that count as proof.
    """
    is_listed = np.array([e is not None for e in recorded[rows]], dtype=bool)
    at_register = np.nan_to_num(block.peak_register_gpm[rows]) > smoc_gpm
    in_an_interval = np.nan_to_num(block.max_interval_gpm[rows]) > smoc_gpm
    by_the_hour = (block.interval_min[rows] <= HOUR_MIN) & (
        odds_over_continuous >= odds_of_undersized
    )
    return np.asarray(is_listed | at_register | in_an_interval | by_the_hour, dtype=np.bool_)
