"""The decision on a chunk of accounts, before it becomes rows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rightsize.recommend.weigh import Weighed

Array = NDArray[np.float64]
Index = NDArray[np.int64]


@dataclass(frozen=True)
class Choice:
    """The decision on a chunk of A accounts over M meters."""

    verdict: NDArray[np.str_]  # [A]
    action: NDArray[np.str_]  # [A]
    chosen: Index  # [A] meter to install, to confirm by logging, or the installed one
    runner_up: Index  # [A] best feasible meter beside chosen and installed; -1 for none
    tied: Index  # [A] meter worth a little more than the chosen, cheaper one; -1 for none
    smaller: Index  # [A] best smaller meter of the same type that pays; -1 for none
    log_value_usd: Array  # [A] worth of a log less its cost; NaN where a change is decided
    odds_over_smoc: Array  # [A] odds that the peak exceeds the installed meter's SMOC
    odds_over_continuous: Array  # [A] odds that sustained flow exceeds its continuous rating
    odds_over: Array  # [A] odds of either
    weighed: Weighed
    rank: Index  # [A, M] from 1; 0 where not feasible
