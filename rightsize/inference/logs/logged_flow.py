"""The flows of logged accounts: inside intervals like those logged, as logged.

A log tells what flows inside an interval in which the register shows a given mean. The year's
reads say how often each mean comes. So the flows of the year are the log's own, interval by
interval of like means, in the numbers of the year; what was not logged (a season's larger
means) stays as the model says. Days of the log are weighed at random, which tells how far a
few days speak for a year (Bayesian bootstrap: Rubin, Annals of Statistics 9(1), 1981, from
memory, high trust).
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rightsize.demand.bands import BAND_COUNT, band_of
from rightsize.flow_logs.shown import LogShown
from rightsize.inference.spread import Flow, Reads
from rightsize.inference.water_use.priors import Z90

Array = NDArray[np.floating[Any]]

GROUP_BANDS: Final = 4  # [bands] of the register's mean that count as alike: convention
PRIOR_INTERVALS: Final = 2.0  # [intervals] that the model is worth in each group of means
LEVEL_SD: Final = 0.01  # [log] of a log's level beside its sensor's error: set-up, pipe
_SEED_BYTES: Final = 8  # bytes of a seed: convention
MINUTES_PER_YEAR: Final = 365.25 * 1440  # [min] Julian year: convention


@dataclass(frozen=True)
class LoggedAccounts:
    """Logs of some accounts of a block: `row` are their places in it."""

    row: NDArray[np.int64]
    shown: tuple[LogShown, ...]

    @property
    def of_pipe(self) -> NDArray[np.bool_]:
        """Whether each log has a sensor of its own."""
        return np.array([log.measures == "pipe" for log in self.shown], dtype=bool)


def logged_accounts(
    meter_id: Sequence[str], logs: Mapping[str, LogShown] | None
) -> LoggedAccounts | None:
    """The logged ones of some meters; None if there are none."""
    rows = [k for k, name in enumerate(meter_id) if logs and name in logs]
    if not rows or logs is None:
        return None
    found = tuple(logs[meter_id[k]] for k in rows)
    return LoggedAccounts(np.array(rows, dtype=np.int64), found)


def day_weights(meter_id: str, days: int, *, samples: int, seed: int) -> Array:
    """Weight of each day of a log in each sample, one on average [J, D]."""
    digest = hashlib.blake2b(f"{seed}|log|{meter_id}".encode(), digest_size=_SEED_BYTES)
    rng = np.random.default_rng(int.from_bytes(digest.digest(), "little"))
    weight = rng.exponential(size=(samples, max(days, 1)))
    return np.asarray(weight / weight.mean(axis=1, keepdims=True))


def logged_steady(
    steady_gpm: Array,
    logged: LoggedAccounts,
    start_gpm: Array,
    meter_id: Sequence[str],
    *,
    seed: int,
) -> Array:
    """Continuous flow [J, A] with that of the logs in its place where they show it.

    A log of the meter's own pulses tells nothing below the starting flow: where it shows no
    steady flow, what may run unseen stays as it was.
    """
    out = steady_gpm.copy()
    for k, log in zip(logged.row, logged.shown, strict=True):
        if not len(log.steady_day_gpm):
            continue
        weight = day_weights(
            meter_id[k], len(log.steady_day_gpm), samples=len(out), seed=seed + 1
        )
        if log.measures == "pipe":
            out[:, k] = _steady_of(log, weight)
        elif log.steady_gpm > 0:
            out[:, k] = np.maximum(_steady_of(log, weight), start_gpm[:, k])
    return out


def _steady_of(log: LogShown, weight: Array) -> Array:
    """Steady flow of each sample [J]: the middle of the days, weighed at random."""
    if log.steady_gpm <= 0:
        return np.zeros(len(weight))
    order = np.argsort(log.steady_day_gpm)
    share = np.cumsum(weight[:, order], axis=1)
    at = (share < 0.5 * share[:, -1:]).sum(axis=1)
    return np.asarray(log.steady_day_gpm[order][np.minimum(at, len(order) - 1)])


@dataclass(frozen=True)
class LikeMeans:
    """How far the year's reads are like logged ones, by band of the register's mean."""

    part: Array  # [L, B + 1] of a band's time that is taken from the log; zero first
    group: NDArray[np.int64]  # [B + 1]


def like_means(logged: LoggedAccounts) -> LikeMeans:
    """Part of each band of means that the log speaks for: n / (n + `PRIOR_INTERVALS`)."""
    group = np.concatenate([[0], 1 + np.arange(BAND_COUNT) // GROUP_BANDS])
    part = np.zeros((len(logged.row), BAND_COUNT + 1))
    for k, log in enumerate(logged.shown):
        count = np.bincount(group[_column(log)], minlength=group[-1] + 1)
        part[k] = (count / (count + PRIOR_INTERVALS))[group]
    return LikeMeans(part, group)


def _column(log: LogShown) -> NDArray[np.int64]:
    """Column of each interval's mean: zero, then bands [I]."""
    return np.asarray(np.maximum(band_of(log.interval_gpm), -1) + 1)


def unlike_reads(reads: Reads, logged: LoggedAccounts, like: LikeMeans) -> Reads:
    """The reads of logged accounts that no log speaks for."""
    share = np.diff(reads.cumulative[logged.row], axis=1) * (1 - like.part[:, 1:])
    start = np.zeros((len(logged.row), 1))
    return Reads(
        np.concatenate([start, np.cumsum(share, axis=1)], axis=1),
        reads.zero[logged.row] * (1 - like.part[:, 0]),
        reads.is_rest[logged.row],
    )


def with_logged(
    flow: Flow,
    rest: Flow,
    reads: Reads,
    logged: LoggedAccounts,
    like: LikeMeans,
    actual_of: Sequence[Array | None],
    meter_id: Sequence[str],
    *,
    seed: int,
) -> Flow:
    """Flows of a block with the logged accounts' own in their place.

    Parameters
    ----------
    flow : Flow
        Of all accounts of the block.
    rest : Flow
        Of the logged accounts, from the reads that no log speaks for.
    reads : Reads
        Of all accounts.
    logged, like
        The logs, and what of the reads they speak for.
    actual_of : sequence of array [J, B] or None
        For each log of the meter's own pulses, actual flow of registered flow by band; None
        where the log measures the flow itself.
    meter_id : sequence of str
        Of the block.
    seed : int
        Of the weights of days.
    """
    time, idle = flow.time_share.copy(), flow.idle_share.copy()
    samples = len(time)
    for k, (row, log) in enumerate(zip(logged.row, logged.shown, strict=True)):
        weight = day_weights(meter_id[row], log.day_count, samples=samples, seed=seed)
        year = np.concatenate([reads.zero[[row]], np.diff(reads.cumulative[row])])
        inside = _flows(log, like.group, weight, year * like.part[k])
        own = inside[:, 1:-1]
        if (actual := actual_of[k]) is not None:
            own = _moved_bands(own, actual)
        time[:, row] = rest.time_share[:, k] + own.astype(time.dtype)
        idle[:, row] = rest.idle_share[:, k] + inside[:, -1]
    return replace(flow, time_share=time, idle_share=idle)


def _flows(log: LogShown, group: NDArray[np.int64], weight: Array, year: Array) -> Array:
    """Share of the year's time by what flowed, in the means that were logged [J, B + 2]."""
    of_interval = group[_column(log)]
    wanted = np.bincount(group, year, group[-1] + 1)
    out = np.zeros((len(weight), log.share.shape[1]))
    for g in np.unique(of_interval):
        mine = of_interval == g
        per_day = np.zeros((weight.shape[1], log.share.shape[1]))
        np.add.at(per_day, log.day[mine], log.share[mine])
        total = weight @ per_day
        whole = total.sum(axis=1, keepdims=True)
        mean = per_day.sum(axis=0) / per_day.sum()
        out += wanted[g] * np.where(whole > 0, total / np.maximum(whole, 1e-12), mean)
    return out


def _moved_bands(share: Array, actual_gpm: Array) -> Array:
    """Shares by registered flow [J, B] put to the bands of the actual flow."""
    band = np.clip(band_of(actual_gpm.astype(np.float64)), 0, BAND_COUNT - 1)
    out = np.zeros_like(share)
    rows = np.arange(len(share))[:, None]
    np.add.at(out, (rows, band), share)
    return out


def level(scale: Array, logged: LoggedAccounts, noise: Array) -> Array:
    """Factor from the flows to the year's volume [J, A], where a log tells the level itself.

    The register says one level, through a curve that is not known exactly; a log of the pipe
    says another, with its sensor's error. Both are weighed by their precision.

    Parameters
    ----------
    scale : array [J, A]
        What the register's volume says of each sample's flows [gal a year for each gpm].
    logged : LoggedAccounts
    noise : array [J, A]
        Standard normal numbers.
    """
    out = scale.copy()
    for k, log in zip(logged.row, logged.shown, strict=True):
        if log.measures != "pipe":
            continue
        by_register = np.log(np.maximum(scale[:, k] / MINUTES_PER_YEAR, 1e-9))
        own_sd = float(np.hypot(log.error_share / Z90, LEVEL_SD))
        trust = own_sd**2 / (own_sd**2 + by_register.var())
        found = trust * by_register + (1 - trust) * own_sd * noise[:, k]
        out[:, k] = MINUTES_PER_YEAR * np.exp(found)
    return out
