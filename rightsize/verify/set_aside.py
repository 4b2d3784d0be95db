"""Non-routine events: what else happened at a changed account, so that no gain can be told.

What an account registers is held against its controls period by period: `ratio` is its
relative volume over theirs. A gain moves the ratio once, at the change; what moves it at
another time, or to next to nothing, is something else. Only events far larger than a meter's
gain are looked for: a filter at the size of the gains would choose its own result.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import Final

import numpy as np

from rightsize.verify.difference import Stack
from rightsize.verify.panel import Array, Bools, Grain

VACANT_SHARE: Final = 0.2
"""Use below this share of what is expected counts as vacant (ours)."""

MOVED_SHARE: Final = 0.35
"""A step of the ratio at another time than the change that counts as a change of use (ours):
far larger than what a meter's wear brings within a year."""

LEAK_SHARE: Final = 0.05  # of the use before, that a fall of steady flow must reach (ours)
LEAK_LEFT_SHARE: Final = (
    0.5  # steady flow left after a repair, at most, of what ran before (ours)
)

MULTIPLES: Final = (0.01, 0.1, 0.1337, 7.4805, 10.0, 100.0, 748.05)
"""Ratios of after to expected as a wrong multiplier or unit makes them: powers of ten of a
register's multiplier, and the cubic foot of 7.4805 gal (exact: 1728 / 231)."""

MULTIPLE_TOLERANCE: Final = 0.15  # about one of `MULTIPLES`: room for a true gain (ours)


@dataclass(frozen=True)
class Events:
    """[C] what was found at each changed account."""

    is_multiplier: Bools
    is_vacant: Bools
    is_leak_repaired: Bools
    is_change_of_use: Bools

    @property
    def codes(self) -> list[str | None]:
        """First reason of each case, in the order of the contract's `SET_ASIDE`, or None."""
        named = {
            "multiplier": self.is_multiplier,
            "vacancy": self.is_vacant,
            "leak_repaired": self.is_leak_repaired,
            "change_of_use": self.is_change_of_use,
        }
        return [
            next((code for code, is_so in named.items() if is_so[case]), None)
            for case in range(len(self.is_vacant))
        ]


def ratios(cases: Stack) -> Array:
    """[C, 1 + K, P] relative volume of each account over the controls' median; NaN unused.

    The median: a vacancy among the controls moves no one else's ratio.
    """
    relative = np.where(cases.used, cases.relative, np.nan)
    with np.errstate(divide="ignore", invalid="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a period without controls: NaN
        return np.asarray(relative / np.nanmedian(relative[:, 1:], axis=1, keepdims=True))


def events(cases: Stack, grain: Grain, steady_gal_per_day: Array | None = None) -> Events:
    """What happened at each changed account besides the change of its meter.

    Parameters
    ----------
    cases, grain
        Volumes of the cases, and how many periods make a vacancy or a step.
    steady_gal_per_day : [C, P], optional
        The changed account's steady flow (minimum night flow) by period.
    """
    ratio = ratios(cases)[:, 0]
    is_multiplier = _is_multiple(_mean(ratio, cases.after) / _mean(ratio, cases.before))
    is_leak = np.zeros(len(ratio), dtype=bool)
    if steady_gal_per_day is not None:
        is_leak = _leak_repaired(cases, steady_gal_per_day, grain)
    is_vacant = _is_vacant(ratio, cases, grain)
    is_moved = _largest_step(ratio, cases, grain) > np.log1p(MOVED_SHARE)
    return Events(is_multiplier, is_vacant, is_leak, is_moved & ~is_multiplier)


def unsteady_controls(cases: Stack, grain: Grain) -> Bools:
    """[C, K] controls that stood vacant or changed their use: no measure for others."""
    ratio = ratios(cases)
    found = [
        _is_vacant(ratio[:, member], cases, grain)
        | (
            _largest_step(ratio[:, member], cases, grain, at_change=True)
            > np.log1p(MOVED_SHARE)
        )
        for member in range(1, ratio.shape[1])
    ]
    return np.stack(found, axis=1)


def _mean(values: Array, part: Bools) -> Array:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        return np.asarray(np.nanmean(np.where(part, values, np.nan), axis=1))


def _is_multiple(ratio: Array) -> Bools:
    with np.errstate(divide="ignore", invalid="ignore"):
        off = np.abs(np.log(ratio[:, None] / np.array(MULTIPLES)))
    return np.asarray((off < np.log1p(MULTIPLE_TOLERANCE)).any(axis=1))


def _is_vacant(ratio: Array, cases: Stack, grain: Grain) -> Bools:
    """Periods with next to no use, several in a row; missing ones do not end a run."""
    is_empty = _empty(ratio, cases)
    run = np.zeros(len(ratio), dtype=np.int64)
    longest = run.copy()
    for period in range(ratio.shape[1]):
        run = np.where(is_empty[:, period], run + 1, np.where(_blank(ratio, period), run, 0))
        longest = np.maximum(longest, run)
    return np.asarray(longest >= grain.vacant)


def _empty(ratio: Array, cases: Stack) -> Bools:
    """[C, P] periods with next to no use, against the typical period of their side."""
    is_empty = np.zeros(ratio.shape, dtype=bool)
    for part in (cases.before, cases.after):
        with warnings.catch_warnings(), np.errstate(invalid="ignore"):
            warnings.simplefilter("ignore", RuntimeWarning)
            own = np.nanmedian(np.where(part, ratio, np.nan), axis=1, keepdims=True)
            # A side that is vacant for most of its time is held against the other side.
            typical = np.maximum(own, 1.0 if part is cases.after else own)
            is_empty |= part & (ratio < VACANT_SHARE * typical)
    return is_empty


def _blank(ratio: Array, period: int) -> Bools:
    return np.asarray(np.isnan(ratio[:, period]))


def _largest_step(
    ratio: Array, cases: Stack, grain: Grain, *, at_change: bool = False
) -> Array:
    """[C] largest step of the log ratio inside the time before, or inside the time after.

    Empty periods are left out: a few are a holiday, more are a vacancy, which has its own rule.
    With `at_change` the step over the change itself counts too: a control has none there.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.log(ratio)
    logs = np.where(np.isfinite(logs) & ~_empty(ratio, cases), logs, np.nan)
    parts = (cases.before, cases.after)
    found = np.stack([_step(np.where(part, logs, np.nan), grain.side) for part in parts])
    largest: Array = found.max(axis=0)
    if at_change:
        over = np.abs(_mean(logs, cases.after) - _mean(logs, cases.before))
        largest = np.maximum(largest, np.nan_to_num(over))
    return largest


def _step(logs: Array, side: int) -> Array:
    """[C] largest difference between the mean after and the mean before any period."""
    has = np.isfinite(logs)
    kept = np.where(has, logs, 0.0)
    count_before, sum_before = has.cumsum(axis=1), kept.cumsum(axis=1)
    count_after = count_before[:, -1:] - count_before
    sum_after = sum_before[:, -1:] - sum_before
    enough = (count_before >= side) & (count_after >= side)
    with np.errstate(divide="ignore", invalid="ignore"):
        step = np.abs(sum_after / count_after - sum_before / count_before)
    return np.asarray(np.where(enough, step, 0.0).max(axis=1))


def _leak_repaired(cases: Stack, steady_gal_per_day: Array, grain: Grain) -> Bools:
    """Steady flow that fell to half or less, by a twentieth of the use before, and stayed so.

    A better meter shows more steady flow, not less. A fall is a repair also when crews found
    the leak at the change-out: then the volume lost hides what the meter gained. A leak that
    only the new meter showed is looked for in the time after alone: the months before, which
    hold nothing of it, would hide its fall.

    A season that returns is no leak: what is left must be half or less of the same season
    before the change too, where that is known, and a new leak must run above every period
    before. (So a leak that began within the year before and was mended at the change is not
    found where reads go back a year.)
    """
    seen, base = steady_gal_per_day, cases.base_gal_per_day
    before = np.where(cases.before, seen, np.nan)
    known = np.isfinite(before)
    most = np.where(known, before, -np.inf).max(axis=1)
    most = np.where(known.any(axis=1), most * (1 + LEAK_SHARE), np.inf)
    whole = np.where(cases.before | cases.after, seen, np.nan)
    at_all = _fell(whole, base, grain.side, np.zeros(len(base)))
    at_all &= _below_season(whole, before, grain)
    after = _fell(np.where(cases.after, seen, np.nan), base, grain.side, most)
    return np.asarray((at_all | after).any(axis=1))


def _fell(steady: Array, base_gal_per_day: Array, side: int, above: Array) -> Bools:
    """[C, P] whether steady flow fell for good behind a period, from a level over `above`."""
    ran, left, enough = _both_sides(steady, side)
    with np.errstate(invalid="ignore"):
        fell = (left < LEAK_LEFT_SHARE * ran) & (ran > above[:, None])
        fell &= ran - left > LEAK_SHARE * base_gal_per_day[:, None]
    return np.asarray(fell & enough)


def _below_season(steady: Array, before: Array, grain: Grain) -> Bools:
    """[C, P] whether what is left behind a period is half or less of the year before.

    True where too few of the periods left have one a year earlier, before the change.
    """
    year = grain.most_before
    earlier = np.full_like(before, np.nan)
    earlier[:, year:] = before[:, :-year] if before.shape[1] > year else before[:, :0]
    pair = np.isfinite(earlier) & np.isfinite(steady)
    _, left, _ = _both_sides(np.where(pair, steady, np.nan), 1)
    _, then, _ = _both_sides(np.where(pair, earlier, np.nan), 1)
    count = pair.sum(axis=1)[:, None] - pair.cumsum(axis=1)
    with np.errstate(invalid="ignore"):
        return np.asarray((count < grain.side) | (left < LEAK_LEFT_SHARE * then))


def _both_sides(steady: Array, side: int) -> tuple[Array, Array, Bools]:
    """[C, P] mean up to a period, mean behind it, and whether both have `side` periods."""
    has = np.isfinite(steady)
    kept = np.where(has, steady, 0.0)
    count_before, sum_before = has.cumsum(axis=1), kept.cumsum(axis=1)
    count_after = count_before[:, -1:] - count_before
    with np.errstate(divide="ignore", invalid="ignore"):
        ran = sum_before / count_before
        left = (sum_before[:, -1:] - sum_before) / count_after
    return ran, left, (count_before >= side) & (count_after >= side)
