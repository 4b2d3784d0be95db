"""Odds and size of steady flow by a site's use, learned from a fleet.

A larger site has more fixtures that can leak, so the odds rise with its use; the size of one
leak need not. Each class has levels of its own, at its middle use. The powers of use are common
to the fleet: it takes many accounts to tell them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit, ndtr

Array = NDArray[np.floating[Any]]

PRIOR_ACCOUNTS: Final = 12.0  # [accounts] that the class prior is worth
# The next four were set on simulated 901 to 913 and 601 to 604, wrong 911 to 926, recorded 31,
# 32, 41 and 42, and (even days) 71 and 72.
SIZE_POWER: Final = 0.0  # [1] of use, in the size of steady flow
SIZE_POWER_SD: Final = 0.2  # [1] of it between fleets
ODDS_POWER: Final = 0.4  # [1] of use, in the odds of steady flow
ODDS_POWER_SD: Final = 0.4  # [1] of it between fleets
_POWER_RANGE: Final = (0.0, 1.0)  # [1] a larger site leaks no less, nor more than in proportion
_ROUNDS: Final = 40  # [1] of expectation-maximization
_LEAST_CUT_VARIANCE: Final = 0.05  # [1] a normal law keeps so much of its variance when cut
_LEAST_LOG_VARIANCE: Final = 0.09  # [log2] sd 0.3: sites of a class never agree better
_SHARE_RANGE: Final = (0.02, 0.98)  # [1] no class has steady flow never, or always: convention
_LARGEST_STEP: Final = 1.0  # [log odds] of a round, so that none oversteps: convention


@dataclass(frozen=True)
class Levels:
    """Steady flow of K classes at their middle use, and the fleet's powers of use."""

    share: Array  # [K]
    centre_log: Array  # [K] log of the median [gpm]
    log_sd: Array  # [K]
    size_power: float
    odds_power: float


@dataclass(frozen=True)
class Shown:
    """What N accounts show of steady flow."""

    kind: NDArray[np.int64]  # [N] class
    steady_gpm: Array  # [N] 0 = none shown
    floor_gpm: Array  # [N] the least that would be shown
    use_log: Array  # [N] log of use over the middle use of the class


@dataclass(frozen=True)
class _Expected:
    """Steady flow of N accounts as far as it is shown, else as the levels expect it."""

    odds: Array  # that there is any
    mean_log: Array  # of its size [gpm], if any
    variance: Array  # [log2] of its size


def at_use(level: Levels, kind: NDArray[np.int64], use_log: Array) -> tuple[Array, Array]:
    """Share, and log of the median size, at each account's use [N]."""
    share = expit(logit(level.share)[kind] + level.odds_power * use_log)
    return share, level.centre_log[kind] + level.size_power * use_log


def levels_learnt(prior: Levels, shown: Shown) -> Levels:
    """Levels and powers that explain what accounts show.

    Notes
    -----
    Expectation-maximization: a steady flow that a meter shows counts as it is, an account that
    shows none counts as none or as one below its own meter's start, by the odds of either.
    Sensitive meters so teach the most. Each class prior is worth `PRIOR_ACCOUNTS` accounts of
    middle use; the powers are normal about those of the prior.
    """
    level = prior
    for _ in range(_ROUNDS):
        expected = _expected(level, shown)
        share, odds_power = _odds_again(level, prior, shown, expected)
        centre_log, log_sd, size_power = _sizes_again(level, prior, shown, expected)
        level = Levels(share, centre_log, log_sd, size_power, odds_power)
    return level


def _expected(level: Levels, shown: Shown) -> _Expected:
    is_shown = shown.steady_gpm > 0
    share, centre = at_use(level, shown.kind, shown.use_log)
    log_sd = level.log_sd[shown.kind]
    z = (np.log(shown.floor_gpm) - centre) / log_sd
    under = ndtr(z)
    below = share * under
    mills = np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi) / np.maximum(under, 1e-9)
    cut = log_sd**2 * np.maximum(1 - z * mills - mills**2, _LEAST_CUT_VARIANCE)
    flow_log = np.log(np.where(is_shown, shown.steady_gpm, 1.0))
    return _Expected(
        np.where(is_shown, 1.0, below / np.maximum(1 - share + below, 1e-12)),
        np.where(is_shown, flow_log, centre - log_sd * mills),
        np.where(is_shown, 0.0, cut),
    )


def _sizes_again(
    level: Levels, prior: Levels, shown: Shown, expected: _Expected
) -> tuple[Array, Array, float]:
    """Medians and spreads by class, and the power of use."""
    kind, x, count = shown.kind, shown.use_log, len(prior.share)
    weight = PRIOR_ACCOUNTS * prior.share
    total = weight + np.bincount(kind, expected.odds, count)
    rest = expected.odds * (expected.mean_log - level.size_power * x)
    centre = (weight * prior.centre_log + np.bincount(kind, rest, count)) / total
    trust = expected.odds / level.log_sd[kind] ** 2
    own = 1 / SIZE_POWER_SD**2
    found = (trust * x * (expected.mean_log - centre[kind])).sum()
    power = (own * prior.size_power + found) / (own + (trust * x**2).sum())
    power = np.clip(power, *_POWER_RANGE)
    off = (expected.mean_log - centre[kind] - power * x) ** 2 + expected.variance
    spread = weight * (prior.log_sd**2 + (prior.centre_log - centre) ** 2)
    spread += np.bincount(kind, expected.odds * off, count)
    return centre, np.sqrt(np.maximum(spread / total, _LEAST_LOG_VARIANCE)), float(power)


def _odds_again(
    level: Levels, prior: Levels, shown: Shown, expected: _Expected
) -> tuple[Array, float]:
    """Shares by class and the power of use: a step of a logistic regression."""
    kind, x, count = shown.kind, shown.use_log, len(prior.share)
    share, _ = at_use(level, kind, x)
    missed, bend = expected.odds - share, share * (1 - share)
    pull = PRIOR_ACCOUNTS * (prior.share - level.share) + np.bincount(kind, missed, count)
    stiff = PRIOR_ACCOUNTS * level.share * (1 - level.share) + np.bincount(kind, bend, count)
    step = np.clip(pull / stiff, -_LARGEST_STEP, _LARGEST_STEP)
    own = 1 / ODDS_POWER_SD**2
    found = (x * missed).sum() + own * (prior.odds_power - level.odds_power)
    turn = found / ((x**2 * bend).sum() + own)
    moved = np.clip(expit(logit(level.share) + step), *_SHARE_RANGE)
    turn = np.clip(turn, -_LARGEST_STEP, _LARGEST_STEP)
    return moved, float(np.clip(level.odds_power + turn, *_POWER_RANGE))
