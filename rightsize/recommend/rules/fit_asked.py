"""How surely a new meter has to fit: as surely as set, or as the one that it replaces."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]

LEAST_FIT: Final = 0.5  # [1] odds of fit that every new meter reaches: convention


def odds_of_fit_asked(
    held_odds_of_fit: Floats, is_undersized: NDArray[np.bool_], odds_of_fit: float
) -> Floats:
    """Odds of fit that a new meter must reach, from those of the installed one.

    `odds_of_fit`, or what the installed meter reaches: refusing a meter that carries more than
    the one that stays would protect nothing. Never less than even, and no less than
    `odds_of_fit` where the installed meter is called overloaded.
    """
    as_held = np.clip(held_odds_of_fit, min(LEAST_FIT, odds_of_fit), odds_of_fit)
    return np.asarray(np.where(is_undersized, odds_of_fit, as_held))
