"""Power: the smallest gain that can be told from nothing, by weeks since the change-out."""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy import stats

from rightsize.verify.panel import Array, Bools, Ints

FALSE_ALARM_SHARE: Final = 0.05  # one tail of the 90 % interval
POWER_SHARE: Final = 0.80
"""How often a gain of the stated size is to be seen (common practice in planning trials)."""

MAD_TO_DEVIATION: Final = 1.4826  # of a normal distribution: 1 / Phi^-1(3/4)


def change_spread(
    registered_gal_per_day: Array, *, periods_before: int, periods_after: Ints
) -> Array:
    """Spread of the change that accounts show of themselves, without any change-out.

    Parameters
    ----------
    registered_gal_per_day : [A, P]
        Accounts of one class that kept their meter, oldest period first, no period missing;
        others are left out. The newest periods play "after".
    periods_before : int
    periods_after : [N]

    Returns
    -------
    [N]
        Standard deviation of log(mean after / mean before) between accounts, robust (median
        absolute deviation): a few vacancies do not set what all others can be told. NaN where
        the periods are too few, or fewer than 3 accounts are whole.
    """
    periods = registered_gal_per_day.shape[1]
    spread = np.full(len(periods_after), np.nan)
    for at, after in enumerate(periods_after):
        if after < 1 or after + periods_before > periods:
            continue
        part = registered_gal_per_day[:, periods - after - periods_before :]
        means = part[:, :periods_before].mean(axis=1), part[:, periods_before:].mean(axis=1)
        is_whole: Bools = np.isfinite(means[0]) & (means[0] > 0) & (means[1] > 0)
        if is_whole.sum() > 2:
            change = np.log(means[1][is_whole] / means[0][is_whole])
            spread[at] = MAD_TO_DEVIATION * np.median(np.abs(change - np.median(change)))
    return spread


def smallest_visible_gain(
    spread: Array, *, controls: int, cases: int = 1, power: float = POWER_SHARE
) -> Array:
    """Smallest gain whose 90 % interval lies above nothing as often as `power` says.

    Parameters
    ----------
    spread : [N]
        As `change_spread` gives it.
    controls : int
        Accounts each case is held against.
    cases : int
        Cases that are taken together, each with controls of its own.

    Returns
    -------
    [N]
        Gain as a share. The distribution of Student's t about a true gain is taken as shifted
        (an approximation: with the noncentral t, which is exact, the power at 19 degrees of
        freedom is within 2 points of the stated).
    """
    freedom = cases * (controls - 1)
    reach = stats.t.ppf(1 - FALSE_ALARM_SHARE, freedom) + stats.t.ppf(power, freedom)
    return np.asarray(np.expm1(reach * spread * np.sqrt((1 + 1 / controls) / cases)))


def cases_needed(spread: float, *, gain_share: float, controls: int) -> int:
    """Change-outs that must be taken together before a gain of this size can be seen."""
    reach = stats.norm.ppf(1 - FALSE_ALARM_SHARE) + stats.norm.ppf(POWER_SHARE)
    error = spread * np.sqrt(1 + 1 / controls)
    return int(np.ceil((reach * error / np.log1p(gain_share)) ** 2))
