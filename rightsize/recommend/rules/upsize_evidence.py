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


RECORDED: Final[dict[str, str]] = {
    "complaint": "a complaint on record",
    "pressure_record": "a pressure record",
    "peak_register": "the register's peak on record",
    "flow_log": "a flow log on record",
}
"""What the meter list may name, as a reason says it."""


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
    read = _by_reads(block, rows, smoc_gpm, odds_over_continuous >= odds_of_undersized)
    return np.asarray(is_listed | np.any(list(read.values()), axis=0), dtype=np.bool_)


def shown_by(
    block: ProfileBlock,
    recorded: tuple[str | None, ...],
    rows: slice,
    *,
    smoc_gpm: Array,
    odds_over_continuous: Array,
    odds_of_undersized: float,
) -> list[str | None]:
    """What shows the overload, as a reason says it; None where it is only inferred."""
    read = _by_reads(block, rows, smoc_gpm, odds_over_continuous >= odds_of_undersized)
    said = [[] if listed is None else [RECORDED[listed]] for listed in recorded[rows]]
    for text, flags in read.items():
        for k in np.flatnonzero(flags):
            said[k].append(text)
    return [_listed(texts) or None for texts in said]


def _by_reads(
    block: ProfileBlock, rows: slice, smoc_gpm: Array, is_lasting: Flags
) -> dict[str, Flags]:
    """Accounts whose reads or register show it, by what does."""
    return {
        "the register's own peak": np.nan_to_num(block.peak_register_gpm[rows]) > smoc_gpm,
        "a read above the SMOC": np.nan_to_num(block.max_interval_gpm[rows]) > smoc_gpm,
        "hourly means of the reads": (block.interval_min[rows] <= HOUR_MIN) & is_lasting,
    }


def _listed(texts: list[str]) -> str:
    return " and ".join(filter(None, [", ".join(texts[:-1]), *texts[-1:]]))
