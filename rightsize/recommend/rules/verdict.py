"""The verdict and the action, from probabilities and the best feasible meter."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rightsize.contracts.columns import FLAGGED_VERDICTS

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Texts = NDArray[np.str_]


def verdicts(
    *, is_assessed: Flags, is_undersized: Flags, has_choice: Flags, has_smaller: Flags
) -> Texts:
    """Verdict of each meter [A].

    Parameters
    ----------
    is_assessed : bool [A]
        Enough is known to judge.
    is_undersized : bool [A]
        The installed meter is overrun, beyond the set odds.
    has_choice : bool [A]
        A meter fits and pays, both beyond their odds.
    has_smaller : bool [A]
        A smaller meter of the installed type does, be it the best or not.
    """
    return np.select(
        [~is_assessed, is_undersized, has_smaller, has_choice],
        ["not_assessed", "undersized", "oversized", "wrong_type"],
        default="fits",
    )


def actions(
    verdict: Texts,
    *,
    has_choice: Flags,
    is_shown: Flags,
    is_worth_logging: Flags,
    is_critical: Flags,
    is_fire: Flags,
    is_fire_unverified: Flags,
    is_stopped: Flags,
) -> Texts:
    """Action for each meter [A]: change, keep, log first or engineering review.

    A meter that is undersized by its inferred peak alone is logged first; more must show it.
    A change at a critical customer is referred, an undersized meter for which no meter is
    feasible too. Fire and combined services are always referred, and so is a meter on a line
    that may carry fire flow without a record of it, and one that has stopped, assessed or
    not: its verdict is based on the months before, and its present demand is unknown.
    """
    wants_change = np.isin(verdict, FLAGGED_VERDICTS)
    refused = (verdict == "undersized") & ~has_choice
    return np.select(
        [
            is_fire
            | refused
            | (wants_change & is_critical)
            | is_stopped
            | (is_fire_unverified & (verdict != "not_assessed")),
            (verdict == "undersized") & ~is_shown,
            wants_change,
            (verdict == "fits") & is_worth_logging,
        ],
        ["refer", "log_first", "change", "log_first"],
        default="keep",
    )
