"""Steady flow that the installed meter cannot see: what the fleet says about its odds and size.

A meter whose night reads are zero may still pass a steady flow below its starting flow. One
account cannot tell. Accounts of the same class on meters that do see low flow can: they show
how often steady flow occurs and how large it is (empirical Bayes). The prior of the class
counts as a few such accounts, so that a small fleet stays near it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from rightsize.contracts.profiles import ProfileBlock
from rightsize.demand.bands import BAND_EDGES_GPM
from rightsize.inference.candidates import pulse_variance
from rightsize.inference.priors import Priors, SteadyPrior
from rightsize.meters.catalogue import Meter
from rightsize.meters.registration import registration_matrix, registration_ratio

Array = NDArray[np.floating[Any]]

PRIOR_ACCOUNTS: Final = 12.0  # accounts that the class prior is worth
_LEAST_OF_SIX: Final = 0.96  # sd of a least hour of six: 10th to 50th percentile over it
_NIGHT_SD: Final = 0.5  # log error of the dispersion of night draws against that of all
_NIGHT_SHIFT: Final = 0.2  # night draws are smaller than those of the day
_LEAST_SPREAD: Final = 0.02  # of night flow: no steady flow is steadier
_GRID: Final = 24
_FLOWS_GPM: Final = np.geomspace(0.01, 300.0, 900)  # at which curves are read back
SMALLEST_STEADY_GPM: Final = 0.02  # less is not called steady flow
_ROUNDS: Final = 40  # of expectation and maximisation


@dataclass(frozen=True)
class FleetPrior:
    """Steady flow by class as the fleet shows it, and how many accounts showed it."""

    steady: dict[str, SteadyPrior] = field(hash=False)
    accounts_seen: dict[str, int] = field(hash=False)


@dataclass(frozen=True)
class SteadyLaw:
    """Odds of steady flow and its lognormal size at A accounts."""

    share: Array  # [A]
    centre_log: Array  # [A] log of the median [gpm]
    log_sd: Array  # [A]


def steady_law(priors: Priors, fleet: FleetPrior | None, classes: Sequence[str]) -> SteadyLaw:
    """What is held of steady flow at accounts of such classes before their nights are seen."""
    known = [(fleet.steady.get(c) if fleet else None) or priors.of(c).steady for c in classes]
    return SteadyLaw(
        np.array([k.share for k in known]),
        np.log([k.flow_gpm for k in known]),
        np.array([k.log_sd for k in known]),
    )


def night_quantile(block: ProfileBlock, quantile: float) -> Array:
    """Quantile of the nights' least 60-min mean [gpm], 0 where such nights registered nothing.

    Parameters
    ----------
    block : ProfileBlock
        Profiles of A meters.
    quantile : float
        Between 0 and 1.

    Returns
    -------
    array [A]
        Registered flow [gpm], interpolated in log flow within its band.
    """
    total = block.night_count.sum(axis=1) + block.night_zero_count
    wanted = quantile * total
    below = block.night_zero_count[:, None] + np.cumsum(block.night_count, axis=1)
    band = np.minimum((below < wanted[:, None]).sum(axis=1), below.shape[1] - 1)
    rows = np.arange(block.size)
    inside = np.maximum(block.night_count[rows, band], 1e-9)
    share = np.clip(1 - (below[rows, band] - wanted) / inside, 0, 1)
    flow = BAND_EDGES_GPM[band] * (BAND_EDGES_GPM[band + 1] / BAND_EDGES_GPM[band]) ** share
    return np.where((wanted > block.night_zero_count) & (total > 0), flow, 0.0)


def steady_seen(
    block: ProfileBlock,
    pulse_variance: Array,
    prior: SteadyLaw,
    least_gpm: Array,
    uniform: Array,
) -> Array:
    """Registered steady flow under the nights' draws [gpm, J x A]; 0 where none is seen.

    Parameters
    ----------
    block : ProfileBlock
        Profiles of A meters.
    pulse_variance : array [A]
        Variance of interval means that draws cause [gpm2].
    prior : SteadyLaw
        Odds and size of steady flow before the nights are looked at.
    least_gpm : array [A]
        Smallest steady flow that each meter registers [gpm].
    uniform : array [J, A]
        Where in its posterior law each draw lies.

    Notes
    -----
    Draws of dispersion D (variance over mean) that flow at mean n over a steady flow vary by
    D n. The spread of the nights' least hours so tells how much of the night flow is draws,
    give or take how far draws of the night differ from those of the day; what is left is
    steady. It lies between nothing and the tenth percentile of the nights.
    """
    low, middle = night_quantile(block, 0.1), night_quantile(block, 0.5)
    rounding = (block.resolution_gal / 60.0) ** 2 / 6
    spread = np.maximum(((middle - low) / _LEAST_OF_SIX) ** 2 - rounding, 0.0)
    spread = np.maximum(spread, (_LEAST_SPREAD * middle) ** 2)
    steady, weight = _night_grid(low, prior, least_gpm)
    drawn = np.maximum(
        (middle + 0.6 * np.sqrt(spread))[:, None] - steady, 1e-3 * middle[:, None]
    )
    day = _dispersion(block, pulse_variance, steady)
    misfit = (
        np.log(np.maximum(spread[:, None], 1e-12) / np.maximum(drawn, 1e-9))
        - np.log(day)
        + _NIGHT_SHIFT
    )
    misfit = np.where(middle[:, None] > 0, misfit, 0.0)
    log_weight = np.log(np.maximum(weight, 1e-300)) - 0.5 * (misfit / _NIGHT_SD) ** 2
    chance = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))
    return _drawn_from(steady, chance, uniform)


def _night_grid(low: Array, prior: SteadyLaw, least_gpm: Array) -> tuple[Array, Array]:
    """Steady flows that the nights allow, nothing first, and their prior odds [A, G]."""
    part = (np.arange(_GRID) + 0.5) / _GRID
    bottom = np.minimum(least_gpm, low)
    steady = bottom[:, None] + (low - bottom)[:, None] * part
    z = (np.log(np.maximum(steady, 1e-9)) - prior.centre_log[:, None]) / prior.log_sd[:, None]
    density = np.exp(-0.5 * z**2) / (np.maximum(steady, 1e-9) * prior.log_sd[:, None])
    width = (low - bottom)[:, None] / (_GRID * np.sqrt(2 * np.pi))
    seen = prior.share[:, None] * density * width
    z0 = (np.log(np.maximum(bottom, 1e-9)) - prior.centre_log) / prior.log_sd
    none = 1 - prior.share * (1 - ndtr(z0))
    zero = np.zeros((len(low), 1))
    return np.hstack([zero, steady]), np.hstack([none[:, None], seen])


def _dispersion(block: ProfileBlock, pulse_variance: Array, steady_gpm: Array) -> Array:
    """Variance over mean of 60-min draws above each steady flow [gpm, A x G]."""
    total = np.maximum(block.band_count.sum(axis=1) + block.zero_count, 1)
    mean = block.band_gal.sum(axis=1) / (total * block.interval_min)
    hourly = pulse_variance * np.minimum(block.interval_min / 60.0, 1.0)
    above = np.maximum(mean[:, None] - steady_gpm, 0.1 * mean[:, None] + 1e-9)
    return np.asarray(np.maximum(hourly[:, None] / above, 1e-9))


def _drawn_from(value: Array, chance: Array, uniform: Array) -> Array:
    """Values [A, G] drawn by their chance at each uniform [J, A], even within a step."""
    cumulative = np.cumsum(chance, axis=1)
    cumulative /= cumulative[:, -1:]
    at = np.minimum((cumulative[None] < uniform[..., None]).sum(axis=-1), value.shape[1] - 1)
    rows = np.arange(len(value))[None]
    before = np.where(at > 0, cumulative[rows, np.maximum(at - 1, 0)], 0.0)
    part = (uniform - before) / np.maximum(cumulative[rows, at] - before, 1e-12)
    step = (value[:, -1] - value[:, -2])[None]
    return np.asarray(np.where(at > 0, value[rows, at] + (part - 0.5) * step, 0.0))


def learn_fleet(
    blocks: Iterable[ProfileBlock], meters: Sequence[Meter], priors: Priors
) -> FleetPrior:
    """Steady flow by class: how often and how large, from what every meter can see of it.

    Parameters
    ----------
    blocks : iterable of ProfileBlock
        The fleet; read once.
    meters : sequence of Meter
        The catalogue that `meter_index` points into.
    priors : Priors
        Class priors, worth `PRIOR_ACCOUNTS` accounts each.

    Returns
    -------
    FleetPrior
        Share of accounts, median and spread by class.

    Notes
    -----
    A lognormal law of sizes and a share are found by expectation and maximisation: a steady
    flow that a meter shows counts as it is, an account that shows none counts as none or as one
    below its own meter's start, by the odds of either. Sensitive meters so teach the most.
    """
    return learn_from([steady_by_class(blocks, meters, priors)], priors)


def steady_by_class(
    blocks: Iterable[ProfileBlock], meters: Sequence[Meter], priors: Priors
) -> dict[str, Array]:
    """What the meters of a part of the fleet show of steady flow, by class.

    Parts are learnt from together by `learn_from`, so that each may be made elsewhere.

    Returns
    -------
    dict of array [n, 2]
        Steady flow shown (0 = none) and the least that the meter shows, both [gpm].
    """
    start = np.array([m.starting_gpm for m in meters])
    registered = registration_matrix(meters, _FLOWS_GPM) * _FLOWS_GPM
    least = np.array([registration_ratio(m.starting_gpm, m) * m.starting_gpm for m in meters])
    shown: dict[str, list[Array]] = {}
    for block in blocks:
        law = steady_law(priors, None, block.customer_class)
        half = np.full((1, block.size), 0.5)
        seen = steady_seen(block, pulse_variance(block), law, least[block.meter_index], half)[0]
        steady = _passed(seen, registered, block.meter_index)
        floor = start[block.meter_index]
        floor = np.maximum(floor, np.maximum(block.resolution_gal / 60, SMALLEST_STEADY_GPM))
        usable = (block.days_covered >= 30) & np.isfinite(steady)
        pairs = np.stack([np.where(steady >= floor, steady, 0.0), floor], axis=1)
        for name in set(block.customer_class):
            mine = usable & (np.array(block.customer_class) == name)
            shown.setdefault(name, []).append(pairs[mine])
    return {name: np.concatenate(parts) for name, parts in shown.items()}


def _passed(seen_gpm: Array, registered_gpm: Array, meter: NDArray[np.int64]) -> Array:
    """Flow that each meter's curve registers as so much [gpm, A]."""
    out = seen_gpm.copy()
    for k in np.unique(meter):
        rising = np.maximum.accumulate(registered_gpm[k])
        out[meter == k] = np.interp(seen_gpm[meter == k], rising, _FLOWS_GPM)
    return np.where(seen_gpm > 0, out, 0.0)


def learn_from(parts: Iterable[Mapping[str, Array]], priors: Priors) -> FleetPrior:
    """Steady flow by class from the parts of a fleet, taken in their order."""
    whole = list(parts)
    learnt, seen = {}, {}
    for name, prior in priors.by_class.items():
        pairs = np.concatenate(
            [np.zeros((0, 2)), *(part[name] for part in whole if name in part)]
        )
        learnt[name] = _learnt(prior.steady, pairs[:, 0], pairs[:, 1])
        seen[name] = len(pairs)
    return FleetPrior(learnt, seen)


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
            mean**2 + log_sd**2 * np.maximum(1 - z * mills - mills**2, 0.05),
        )
        total = weight + odds.sum()
        share = (PRIOR_ACCOUNTS * prior.share + odds.sum()) / (PRIOR_ACCOUNTS + len(odds))
        new_centre = (weight * np.log(prior.flow_gpm) + (odds * mean).sum()) / total
        spread = weight * (prior.log_sd**2 + (np.log(prior.flow_gpm) - new_centre) ** 2)
        spread += (odds * (square - 2 * mean * new_centre + new_centre**2)).sum()
        centre, log_sd = float(new_centre), float(np.sqrt(max(spread / total, 0.09)))
    factor = float(np.exp(1.645 * log_sd))
    return SteadyPrior(float(np.clip(share, 0.02, 0.98)), float(np.exp(centre)), factor)


def unseen_odds(share: Array, centre_log: Array, log_sd: Array, start_gpm: Array) -> Array:
    """Odds that an account without visible night flow has steady flow below the start.

    `P(steady < start) / (P(none) + P(steady < start))`: the reads only exclude steady flow
    that the meter would have shown.
    """
    below = share * ndtr((np.log(np.maximum(start_gpm, 1e-9)) - centre_log) / log_sd)
    return np.asarray(below / np.maximum(1 - share + below, 1e-12))


def unseen_size(uniform: Array, centre_log: Array, log_sd: Array, start_gpm: Array) -> Array:
    """Steady flow below the start [gpm] at each uniform: the fleet's law, cut at the start."""
    top = ndtr((np.log(np.maximum(start_gpm, 1e-9)) - centre_log) / log_sd)
    return np.asarray(np.exp(centre_log + log_sd * ndtri(np.clip(uniform * top, 1e-12, 1))))
