"""Matched controls: accounts of the class that kept their meter and drew water alike before."""

from __future__ import annotations

import warnings
from typing import Final

import numpy as np

from rightsize.verify.panel import Array, Bools, Cases, Ints, Panel

SEASON_BLOCKS: Final = 6
"""Parts of the time before a change over which the season is compared: two months of a year."""

# How far apart two accounts may be in one respect to count as one step away. Common practice is
# to match on level and load shape; the steps are ours, chosen by judgment.
LEVEL_STEP: Final = 1.0  # natural logarithm of volume: a factor of 2.7
SEASON_STEP: Final = 0.1  # share of the mean, root mean square over the blocks
SPREAD_STEP: Final = 0.5  # natural logarithm of the spread from period to period
SHAPE_STEP: Final = 0.02  # share of volume, root mean square over hours or weekdays

LEAST_COVERED_SHARE: Final = 0.8
"""Least share of a case's periods for which a control must have reads, before and after."""

NO_CONTROL: Final = -1


def matched_controls(panel: Panel, cases: Cases, *, controls: int) -> Ints:
    """Nearest accounts of each case's class that kept their meter.

    Only the time before the change is compared, so what came of it cannot choose its measure.

    Parameters
    ----------
    controls : int
        Number of controls K for a case.

    Returns
    -------
    [C, K]
        Rows of the panel, nearest first; -1 where there are fewer.
    """
    chosen = np.full((cases.size, controls), NO_CONTROL)
    has_read = np.isfinite(panel.registered_gal_per_day)
    groups = np.stack(
        (cases.first, cases.change, cases.end, panel.customer_class[cases.account])
    )
    for first, change, end, group_class in np.unique(groups, axis=1).T:
        members = np.flatnonzero(
            (groups == np.array([[first], [change], [end], [group_class]])).all(axis=0)
        )
        pool = np.flatnonzero(panel.is_kept & (panel.customer_class == group_class))
        before, after = slice(first, change), slice(change + 1, end)
        covers = [has_read[pool, part].mean(axis=1) for part in (before, after) if _some(part)]
        if len(covers) < 2:
            continue  # nothing before or nothing after
        pool = pool[np.minimum(*covers) >= LEAST_COVERED_SHARE]
        chosen[members] = _nearest(panel, cases.account[members], pool, before, controls)
    return chosen


def _some(part: slice) -> bool:
    return bool(part.stop > part.start)


def _nearest(panel: Panel, own: Ints, pool: Ints, before: slice, controls: int) -> Ints:
    found = np.full((len(own), controls), NO_CONTROL)
    if not len(pool) or not _some(before):
        return found
    features = _features(panel, np.concatenate((own, pool)), before)
    usable: Bools = np.asarray(np.isfinite(features).all(axis=1))
    ours, theirs = features[: len(own)], features[len(own) :]
    pool, theirs = pool[usable[len(own) :]], theirs[usable[len(own) :]]
    take = min(controls, len(pool))
    if not take:
        return found
    squares = (theirs**2).sum(axis=1)
    distance = squares - 2 * np.nan_to_num(ours) @ theirs.T  # own square: the same for all
    distance[own[:, None] == pool] = np.inf
    near = np.argpartition(distance, take - 1, axis=1)[:, :take]
    rows = np.arange(len(own))[:, None]
    near = near[rows, np.lexsort((pool[near], distance[rows, near]), axis=1)]
    found[:, :take] = np.where(np.isfinite(distance[rows, near]), pool[near], NO_CONTROL)
    found[~usable[: len(own)]] = NO_CONTROL
    return found


def _features(panel: Panel, accounts: Ints, before: slice) -> Array:
    """[A, F] level, season, spread and shape before the change, in steps."""
    volume = panel.registered_gal_per_day[accounts, before]
    with warnings.catch_warnings(), np.errstate(divide="ignore", invalid="ignore"):
        warnings.simplefilter("ignore", RuntimeWarning)  # accounts without reads: NaN, left out
        level = np.nanmean(volume, axis=1)
        relative = volume / level[:, None]
        blocks = np.array_split(relative, min(SEASON_BLOCKS, volume.shape[1]), axis=1)
        season = np.stack([np.nanmean(b, axis=1) for b in blocks], axis=1)
        season = np.where(np.isfinite(season), season, 1.0)
        steps = np.diff(relative, axis=1)
        spread = np.sqrt(np.nanmean(steps**2, axis=1)) if steps.shape[1] else level * 0
        parts = [
            np.log(level)[:, None] / LEVEL_STEP,
            season / SEASON_STEP / np.sqrt(season.shape[1]),
            np.log(np.maximum(spread, 1e-6))[:, None] / SPREAD_STEP,
        ]
    if panel.shape_share is not None:
        shape = panel.shape_share[accounts]
        parts.append(shape / SHAPE_STEP / np.sqrt(shape.shape[1]))
    return np.concatenate(parts, axis=1)


def is_short(controls: Ints, least: int) -> Bools:
    """[C] whether a case has fewer controls than needed."""
    return np.asarray((controls != NO_CONTROL).sum(axis=1) < least)
