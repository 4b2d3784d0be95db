"""The installed meter's curve where a log of the pipe and the register disagree by flow.

A log with a sensor of its own tells what flowed inside each interval of the register. Each
meter that the account may hold would have registered a share of it, another at low flow than
at high. The shares that the register shows, by flow, say which of them it is. What all flows
have in common is left open here: it may be the sensor's error, and is weighed with the level
(`logged_flow.level`).
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rightsize.demand.bands import BAND_CENTRES_GPM
from rightsize.flow_logs.shown import LogShown
from rightsize.inference.meter.ground import ground_rows
from rightsize.inference.meter.registered_table import RegisteredTable

Array = NDArray[np.floating[Any]]

# Our conventions, checked on planted curves (tests/unit/inference/test_logged_curve.py).
GROUPS_PER_OCTAVE: Final = 1  # [1] groups of intervals by their mean flow
SHAPE_SD: Final = 0.04  # [1] of a group's share: clocks, flow bands, and what no sample has
COMMON_SD: Final = 0.1  # [1] of what all groups have in common: left open
LEAST_INTERVALS: Final = 4  # [intervals] of a group that is compared
LEAST_GROUPS: Final = 2  # one group has no shape
# [1] of a squared step: two readings, each off by a uniform rounding of variance step^2 / 12
_ROUNDING_VARIANCE: Final = 1 / 6


def rank_given_log(
    own_rank: Array, log: LogShown, table: RegisteredTable, entry: int, age_years: float
) -> Array:
    """Which of the meters of its entry an account holds, drawn anew given its log [J].

    Parameters
    ----------
    own_rank : array [J]
        Uniform numbers that draw among the meters of its entry and age of each sample.
    log : LogShown
        Of the pipe.
    table : RegisteredTable
        Meters in the ground (`ground_table`).
    entry : int
        Row of the installed meter in the catalog.
    age_years : float
        NaN if not known.

    Returns
    -------
    array [J]
        In the middle of the share of the meter drawn; `own_rank` where the log has no shape.
    """
    flow, count, shown_gpm = _groups(log)
    if len(count) < LEAST_GROUPS:
        return own_rank
    first, states = ground_rows(np.array([entry]), np.array([age_years]))
    rows = first[0] + np.arange(states[0])
    expected = np.einsum("gb,jbk->jgk", flow[:, 1:-1], table.by_band[:, :, rows])
    steady = np.full((len(own_rank), len(rows)), log.steady_gpm, dtype=np.float32)
    expected += flow[:, -1][None, :, None] * table.registered_gpm(steady, rows)[:, None]
    actual = _actual(flow, log.steady_gpm)
    share = expected / actual[:, None]
    apart = (shown_gpm / actual)[:, None] - share
    rounding = _rounding_gpm(log, count) / actual
    trust = (1 / (SHAPE_SD**2 + rounding**2))[:, None]
    common = (trust * apart * share).sum(axis=1) ** 2
    common /= (trust * share**2).sum(axis=1) + 1 / COMMON_SD**2
    misfit = (trust * apart**2).sum(axis=1) - common  # [J, K]
    weight = np.exp(-0.5 * (misfit - misfit.min(axis=1, keepdims=True)))
    reached = np.cumsum(weight, axis=1) / weight.sum(axis=1, keepdims=True)
    drawn = (reached < own_rank[:, None]).sum(axis=1)
    return np.asarray((np.minimum(drawn, len(rows) - 1) + 0.5) / len(rows))


def _groups(log: LogShown) -> tuple[Array, NDArray[np.int64], Array]:
    """Intervals of like mean flow: flows [G, B + 2], their number, registered mean [gpm]."""
    mean = _actual(log.share, log.steady_gpm)
    running = mean > 0
    octave = np.floor(GROUPS_PER_OCTAVE * np.log2(mean[running])).astype(np.int64)
    _, place, count = np.unique(octave, return_inverse=True, return_counts=True)
    flow = np.zeros((len(count), log.share.shape[1]))
    np.add.at(flow, place, log.share[running])
    registered = np.bincount(place, log.interval_gpm[running], len(count))
    kept = count >= LEAST_INTERVALS
    size = count[kept].astype(np.int64)
    return flow[kept] / size[:, None], size, registered[kept] / size


def _actual(share: Array, steady_gpm: float) -> Array:
    """Mean flow of rows of shares of time [gpm]."""
    return np.asarray(share[:, 1:-1] @ BAND_CENTRES_GPM + share[:, -1] * steady_gpm)


def _rounding_gpm(log: LogShown, count: NDArray[np.int64]) -> Array:
    """Standard deviation of a group's registered mean by the register's steps [gpm]."""
    minutes = float(np.median(np.diff(np.sort(log.start_s)))) / 60
    return np.asarray(log.resolution_gal * np.sqrt(_ROUNDING_VARIANCE / count) / minutes)
