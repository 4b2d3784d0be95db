"""Steady flow that the installed meter cannot see: what the fleet says about its odds and size.

A meter with zero night reads may still pass a steady flow below its starting flow. One account
cannot show this. Accounts of the same class with meters that register low flow can: they show
how often steady flow occurs and how large it is, by class and by the site's use (empirical
Bayes). The class prior counts as a few such accounts, so that a small fleet stays near it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit, ndtr, ndtri

from rightsize.contracts.profiles import ProfileBlock
from rightsize.flow_logs.shown import LogShown
from rightsize.inference.meter.steady_by_use import (
    ODDS_POWER,
    SIZE_POWER,
    Levels,
    Shown,
    levels_learnt,
)
from rightsize.inference.reads.by_hours import read_by_hours
from rightsize.inference.reads.nights import SteadyLaw, steady_seen, use_gpm
from rightsize.inference.reads.signs import pulse_variance, rounding_of
from rightsize.inference.water_use.priors import Z90, Priors, SteadyPrior
from rightsize.meters.arrays import meter_arrays
from rightsize.meters.catalogue import Meter
from rightsize.meters.curve import registration_matrix, registration_ratio

Array = NDArray[np.floating[Any]]

# Set by hand and fitted on simulated fleets; which fleets is not recorded. Where a line names
# another origin, that holds.
_FLOWS_GPM: Final = np.geomspace(0.01, 300.0, 900)  # at which curves are read back
SMALLEST_STEADY_GPM: Final = 0.02  # less is not called steady flow: convention
_LEAST_DAYS: Final = 30  # [days] of reads before an account teaches its class: convention


@dataclass(frozen=True)
class LearntPrior:
    """Steady flow by class in the fleet, and the number of accounts behind it.

    `steady` holds at the middle use of a class, which is absent where no account was seen; odds
    and size go with powers of use about it.
    """

    steady: dict[str, SteadyPrior] = field(hash=False)
    accounts_seen: dict[str, int] = field(hash=False)
    middle_use_gpm: dict[str, float] = field(hash=False)
    size_power: float
    odds_power: float


def steady_law(
    priors: Priors, learnt: LearntPrior | None, classes: Sequence[str], use: Array
) -> SteadyLaw:
    """Steady flow of these classes at these uses [gpm], before their nights are looked at."""
    known = [(learnt.steady.get(c) if learnt else None) or priors.of(c).steady for c in classes]
    share = np.array([k.share for k in known])
    centre = np.log([k.flow_gpm for k in known])
    if learnt is not None:
        middle = [learnt.middle_use_gpm.get(c, np.nan) for c in classes]
        x = np.nan_to_num(np.log(use / np.array(middle)))
        share = expit(logit(share) + learnt.odds_power * x)
        centre = centre + learnt.size_power * x
    return SteadyLaw(share, centre, np.array([k.log_sd for k in known]))


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
    dict of array [n, 3]
        Steady flow shown (0 = none), the least that the meter shows, and use, all [gpm].
    """
    start = meter_arrays(meters).starting_gpm
    registered = registration_matrix(meters, _FLOWS_GPM) * _FLOWS_GPM
    least = start * [float(registration_ratio(start[[k]], m)[0]) for k, m in enumerate(meters)]
    shown: dict[str, list[Array]] = {}
    for block in blocks:
        use = use_gpm(block)
        law = steady_law(priors, None, block.customer_class, use)
        half = np.full((1, block.size), 0.5)
        hours = read_by_hours(block, rounding_of(block))
        seen = steady_seen(hours, pulse_variance(hours), law, least[block.meter_index], half)[0]
        steady = _passed(seen, registered, block.meter_index)
        floor = start[block.meter_index]
        floor = np.maximum(floor, np.maximum(block.resolution_gal / 60, SMALLEST_STEADY_GPM))
        usable = (block.days_covered >= _LEAST_DAYS) & np.isfinite(steady + use)
        for row, meter_id in enumerate(block.meter_id if logs else ()):
            log = (logs or {}).get(meter_id)
            if log is not None and log.measures == "pipe":
                steady[row], floor[row] = log.steady_gpm, SMALLEST_STEADY_GPM
                usable[row] = np.isfinite(use[row])
        rows = np.stack([np.where(steady >= floor, steady, 0.0), floor, use], axis=1)
        for name in set(block.customer_class):
            mine = usable & (np.array(block.customer_class) == name)
            shown.setdefault(name, []).append(rows[mine])
    return {name: np.concatenate(parts) for name, parts in shown.items()}


def _passed(seen_gpm: Array, registered_gpm: Array, meter: NDArray[np.int64]) -> Array:
    """Actual flow at which each meter registers a given flow [gpm, A]."""
    out = seen_gpm.copy()
    for k in np.unique(meter):
        rising = np.maximum.accumulate(registered_gpm[k])
        out[meter == k] = np.interp(seen_gpm[meter == k], rising, _FLOWS_GPM)
    return np.where(seen_gpm > 0, out, 0.0)


def learn_from(parts: Iterable[Mapping[str, Array]], priors: Priors) -> LearntPrior:
    """Steady flow by class and use: how often and how large, given what meters can register.

    Parameters
    ----------
    parts : iterable of dict
        From `steady_by_class`, in any order and split: accounts are sorted first.
    priors : Priors
        Class priors (`steady_by_use`).

    Returns
    -------
    LearntPrior
        Share of accounts, median and spread by class at its middle use, and powers of use.
    """
    whole, names = list(parts), list(priors.by_class)
    found = [[part[name] for part in whole if name in part] for name in names]
    rows = [np.concatenate([np.zeros((0, 3)), *f]) for f in found]
    rows = [r[np.lexsort(r.T)] for r in rows]  # sums then never depend on who read which
    middle_log = np.array([np.log(r[:, 2]).mean() if len(r) else 0.0 for r in rows])
    kind = np.repeat(np.arange(len(names)), [len(r) for r in rows])
    steady_gpm, floor_gpm, use = np.concatenate(rows).T
    shown = Shown(kind, steady_gpm, floor_gpm, np.log(use) - middle_log[kind])
    level = levels_learnt(_prior_levels([priors.by_class[n].steady for n in names]), shown)
    size_factor = np.exp(Z90 * level.log_sd)
    found_gpm = np.exp(level.centre_log)
    return LearntPrior(
        {
            name: SteadyPrior(float(level.share[k]), float(found_gpm[k]), float(size_factor[k]))
            for k, name in enumerate(names)
        },
        {name: len(rows[k]) for k, name in enumerate(names)},
        {name: float(np.exp(middle_log[k])) for k, name in enumerate(names) if len(rows[k])},
        level.size_power,
        level.odds_power,
    )


def _prior_levels(steady: Sequence[SteadyPrior]) -> Levels:
    return Levels(
        np.array([s.share for s in steady]),
        np.log([s.flow_gpm for s in steady]),
        np.array([s.log_sd for s in steady]),
        SIZE_POWER,
        ODDS_POWER,
    )


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
