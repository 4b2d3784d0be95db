"""Steady flow that the installed meter cannot see: what the fleet says about its odds and size.

A meter with zero night reads may still pass a steady flow below its starting flow. One account
cannot show this. Accounts of the same class with meters that register low flow can: they show
how often steady flow occurs and how large it is (empirical Bayes). The class prior counts as
a few such accounts, so that a small fleet stays near it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from rightsize.contracts.profiles import ProfileBlock
from rightsize.flow_logs.shown import LogShown
from rightsize.inference.reads.by_hours import read_by_hours
from rightsize.inference.reads.nights import SteadyLaw, steady_seen
from rightsize.inference.reads.signs import pulse_variance, rounding_of
from rightsize.inference.water_use.priors import Z90, Priors, SteadyPrior
from rightsize.meters.arrays import meter_arrays
from rightsize.meters.catalogue import Meter
from rightsize.meters.curve import registration_matrix, registration_ratio

Array = NDArray[np.floating[Any]]

# Set by hand and fitted on simulated fleets; which fleets is not recorded. Where a line names
# another origin, that holds.
PRIOR_ACCOUNTS: Final = 12.0  # [accounts] that the class prior is worth
_FLOWS_GPM: Final = np.geomspace(0.01, 300.0, 900)  # at which curves are read back
SMALLEST_STEADY_GPM: Final = 0.02  # less is not called steady flow: convention
_ROUNDS: Final = 40  # [1] of expectation-maximization
_LEAST_DAYS: Final = 30  # [days] of reads before an account teaches its class: convention
_LEAST_CUT_VARIANCE: Final = 0.05  # [1] a normal law keeps so much of its variance when cut
_LEAST_LOG_VARIANCE: Final = 0.09  # [log2] sd 0.3: sites of a class never agree better
_SHARE_RANGE: Final = (0.02, 0.98)  # [1] no class has steady flow never, or always: convention


@dataclass(frozen=True)
class LearntPrior:
    """Steady flow by class in the fleet, and the number of accounts behind it."""

    steady: dict[str, SteadyPrior] = field(hash=False)
    accounts_seen: dict[str, int] = field(hash=False)


def steady_law(priors: Priors, learnt: LearntPrior | None, classes: Sequence[str]) -> SteadyLaw:
    """Prior of steady flow for these classes, before night reads are used."""
    known = [(learnt.steady.get(c) if learnt else None) or priors.of(c).steady for c in classes]
    return SteadyLaw(
        np.array([k.share for k in known]),
        np.log([k.flow_gpm for k in known]),
        np.array([k.log_sd for k in known]),
    )


def steady_by_class(
    blocks: Iterable[ProfileBlock],
    meters: Sequence[Meter],
    priors: Priors,
    logs: Mapping[str, LogShown] | None = None,
) -> dict[str, Array]:
    """Evidence of steady flow from part of the fleet, by class.

    Parts are learnt from together by `learn_from`, so that each may be made elsewhere. A log
    of the pipe, by meter, shows the steady flow itself, whatever the meter can register.

    Returns
    -------
    dict of array [n, 2]
        Steady flow shown (0 = none) and the least that the meter shows, both [gpm].
    """
    start = meter_arrays(meters).starting_gpm
    registered = registration_matrix(meters, _FLOWS_GPM) * _FLOWS_GPM
    least = start * [float(registration_ratio(start[[k]], m)[0]) for k, m in enumerate(meters)]
    shown: dict[str, list[Array]] = {}
    for block in blocks:
        law = steady_law(priors, None, block.customer_class)
        half = np.full((1, block.size), 0.5)
        hours = read_by_hours(block, rounding_of(block))
        seen = steady_seen(hours, pulse_variance(hours), law, least[block.meter_index], half)[0]
        steady = _passed(seen, registered, block.meter_index)
        floor = start[block.meter_index]
        floor = np.maximum(floor, np.maximum(block.resolution_gal / 60, SMALLEST_STEADY_GPM))
        usable = (block.days_covered >= _LEAST_DAYS) & np.isfinite(steady)
        for row, meter_id in enumerate(block.meter_id):
            log = (logs or {}).get(meter_id)
            if log is not None and log.measures == "pipe":
                steady[row], floor[row] = log.steady_gpm, SMALLEST_STEADY_GPM
                usable[row] = True
        pairs = np.stack([np.where(steady >= floor, steady, 0.0), floor], axis=1)
        for name in set(block.customer_class):
            mine = usable & (np.array(block.customer_class) == name)
            shown.setdefault(name, []).append(pairs[mine])
    return {name: np.concatenate(parts) for name, parts in shown.items()}


def _passed(seen_gpm: Array, registered_gpm: Array, meter: NDArray[np.int64]) -> Array:
    """Actual flow at which each meter registers a given flow [gpm, A]."""
    out = seen_gpm.copy()
    for k in np.unique(meter):
        rising = np.maximum.accumulate(registered_gpm[k])
        out[meter == k] = np.interp(seen_gpm[meter == k], rising, _FLOWS_GPM)
    return np.where(seen_gpm > 0, out, 0.0)


def learn_from(parts: Iterable[Mapping[str, Array]], priors: Priors) -> LearntPrior:
    """Steady flow by class: how often and how large, given what each meter can register.

    Parameters
    ----------
    parts : iterable of dict
        From `steady_by_class`, taken in their order.
    priors : Priors
        Class priors, worth `PRIOR_ACCOUNTS` accounts each.

    Returns
    -------
    LearntPrior
        Share of accounts, median and spread by class.

    Notes
    -----
    A lognormal distribution of sizes and a share are found by expectation-maximization: a
    steady flow that a meter shows counts as it is, an account that shows none counts as none or
    as one below its own meter's start, by the odds of either. Sensitive meters so teach the
    most.
    """
    whole = list(parts)
    learnt, seen = {}, {}
    for name, prior in priors.by_class.items():
        pairs = np.concatenate(
            [np.zeros((0, 2)), *(part[name] for part in whole if name in part)]
        )
        learnt[name] = _learnt(prior.steady, pairs[:, 0], pairs[:, 1])
        seen[name] = len(pairs)
    return LearntPrior(learnt, seen)


def _learnt(prior: SteadyPrior, steady_gpm: Array, floor_gpm: Array) -> SteadyPrior:
    """Share, median and spread of steady flow from flows shown (0 = none) above own floors."""
    share, centre, log_sd = prior.share, float(np.log(prior.flow_gpm)), prior.log_sd
    is_shown = steady_gpm > 0
    log_flow = np.log(np.where(is_shown, steady_gpm, 1.0))
    log_floor = np.log(floor_gpm)
    weight = PRIOR_ACCOUNTS * prior.share
    for _ in range(_ROUNDS):
        z = (log_floor - centre) / log_sd
        odds = np.where(
            is_shown,
            1.0,
            unseen_odds(np.asarray(share), np.asarray(centre), np.asarray(log_sd), floor_gpm),
        )
        mills = np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi) / np.maximum(ndtr(z), 1e-9)
        mean = np.where(is_shown, log_flow, centre - log_sd * mills)
        square = np.where(
            is_shown,
            log_flow**2,
            mean**2 + log_sd**2 * np.maximum(1 - z * mills - mills**2, _LEAST_CUT_VARIANCE),
        )
        total = weight + odds.sum()
        share = (PRIOR_ACCOUNTS * prior.share + odds.sum()) / (PRIOR_ACCOUNTS + len(odds))
        new_centre = (weight * np.log(prior.flow_gpm) + (odds * mean).sum()) / total
        spread = weight * (prior.log_sd**2 + (np.log(prior.flow_gpm) - new_centre) ** 2)
        spread += (odds * (square - 2 * mean * new_centre + new_centre**2)).sum()
        centre, log_sd = (
            float(new_centre),
            float(np.sqrt(max(spread / total, _LEAST_LOG_VARIANCE))),
        )
    factor = float(np.exp(Z90 * log_sd))
    return SteadyPrior(float(np.clip(share, *_SHARE_RANGE)), float(np.exp(centre)), factor)


def unseen_odds(share: Array, centre_log: Array, log_sd: Array, start_gpm: Array) -> Array:
    """Odds that an account without visible night flow has steady flow below the start.

    `P(steady < start) / (P(none) + P(steady < start))`: the reads only exclude steady flow
    that the meter would have shown.
    """
    below = share * ndtr((np.log(np.maximum(start_gpm, 1e-9)) - centre_log) / log_sd)
    return np.asarray(below / np.maximum(1 - share + below, 1e-12))


def unseen_size(uniform: Array, centre_log: Array, log_sd: Array, start_gpm: Array) -> Array:
    """Steady flow below the starting flow [gpm]: the fleet's distribution, truncated there."""
    top = ndtr((np.log(np.maximum(start_gpm, 1e-9)) - centre_log) / log_sd)
    return np.asarray(np.exp(centre_log + log_sd * ndtri(np.clip(uniform * top, 1e-12, 1))))
