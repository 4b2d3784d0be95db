"""Actual flow, and what each meter would have registered."""

from __future__ import annotations

import itertools
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipelines.demo.calendar import Calendar
from pipelines.demo.flows import STEPS_PER_GPM, Flow
from pipelines.demo.installed import Need
from rightsize.meters.catalogue import Meter
from rightsize.meters.curve import registration_matrix

Array = NDArray[np.float64]

PEAK_EXCEEDED_SHARE: Final = 1e-5  # 0.001 % of the time
SUSTAINED_EXCEEDED_SHARE: Final = 0.005
PEAK_WINDOW_S: Final = 10
BINS_PER_DECADE: Final = 400
FIRST_BIN_GPM: Final = 1e-3
LARGEST_GPM: Final = 4096
BIN_COUNT: Final = 2700  # up to 5,600 gpm


def need_of(flow: Flow, calendar: Calendar) -> Need:
    """True peak and sustained flow over the span."""
    border = 3600 * np.arange(calendar.hour_count + 1)
    hourly_gpm = np.diff(flow.gal_at(border)) / 60
    sustained = np.quantile(hourly_gpm, 1 - SUSTAINED_EXCEEDED_SHARE, method="higher")
    return Need(peak_10s(flow, calendar.span_s), float(sustained))


def peak_10s(flow: Flow, span_s: int) -> float:
    """The 10 s mean flow that is exceeded 0.001 % of the time [gpm].

    Only windows that touch the highest pieces of the flow are looked at; more are taken in
    until none left out could matter.
    """
    rank = max(int(PEAK_EXCEEDED_SHARE * span_s) // PEAK_WINDOW_S, 1)
    looked_at = 40 * rank
    while looked_at < len(flow.gpm):
        floor = np.partition(flow.steps, -looked_at)[-looked_at]
        peak = _ranked(*_windows(flow, np.flatnonzero(flow.steps >= floor)), rank)
        if peak is not None and peak >= floor / STEPS_PER_GPM:
            return peak
        looked_at *= 8
    return _ranked(*_windows(flow, np.arange(len(flow.gpm))), rank) or 0.0


def _windows(flow: Flow, pieces: NDArray[np.int64]) -> tuple[Array, Array]:
    """Mean flow of the 10 s windows that the pieces touch [gpm], and how many have it."""
    first = flow.edge_s[pieces] // PEAK_WINDOW_S
    last = (flow.edge_s[pieces + 1] - 1) // PEAK_WINDOW_S
    both = np.sort(np.concatenate([first, last]))
    at_an_end = both[np.diff(both, prepend=-1) > 0]
    border = PEAK_WINDOW_S * at_an_end
    mean = (flow.gal_at(border + PEAK_WINDOW_S) - flow.gal_at(border)) * 60 / PEAK_WINDOW_S
    inside = np.maximum(last - first - 1, 0)  # windows that lie wholly within their piece
    return np.concatenate([mean, flow.gpm[pieces]]), np.append(np.ones(len(mean)), inside)


def _ranked(gpm: Array, count: Array, rank: int) -> float | None:
    """The flow of the window that is `rank`-th from the top."""
    counted = count > 0
    gpm, count = gpm[counted], count[counted]
    if len(gpm) > rank:  # the highest `rank` of them are enough
        highest = gpm >= np.partition(gpm, -rank)[-rank]
        gpm, count = gpm[highest], count[highest]
    order = np.argsort(-gpm, kind="stable")
    place = int(np.searchsorted(np.cumsum(count[order]), rank))
    return float(gpm[order[place]]) if place < len(order) else None


def registered_by_month(
    flow: Flow, calendar: Calendar, meters: tuple[Meter, ...]
) -> tuple[Array, Array]:
    """Actual volume [months] and what each meter would register [months, meters], in gal.

    Notes
    -----
    Flow is sorted into bins 0.6 % wide, each represented by its own mean flow.
    """
    is_on = flow.steps > 0
    on = slice(None) if is_on.all() else is_on
    seconds, start_s = flow.seconds[on].astype(np.float64), flow.edge_s[:-1][on]
    place = np.take(_bin_of_step(), flow.steps[on], mode="clip").astype(np.intp)
    volume = flow.gpm_s[on] / 60
    first = [*np.searchsorted(start_s, calendar.month_start_s).tolist(), len(place)]
    months = [slice(a, b) for a, b in itertools.pairwise(first)]  # each month starts at an edge
    gal = np.stack([np.bincount(place[m], volume[m], BIN_COUNT) for m in months])
    time_s = np.bincount(place, seconds, BIN_COUNT)
    time_s[0] += calendar.span_s - seconds.sum()  # nothing drawn
    mean_gpm = 60 * gal.sum(axis=0) / np.maximum(time_s, 1e-9)
    ratio = np.zeros((len(meters), BIN_COUNT))
    used = np.flatnonzero(time_s)
    ratio[:, used] = registration_matrix(meters, mean_gpm[used])
    # einsum, not matmul: small, the same on any number of threads, and it never waits for one
    return gal.sum(axis=1), np.einsum("tb,mb->tm", gal, ratio)


def steady_flow(flow: Flow, *, below_gpm: float) -> Flow:
    """What runs alone and below a meter's starting flow: the least of each day.

    Pieces end at midnight, so that each belongs to a day.
    """
    start_s = flow.edge_s[:-1]
    day_s = np.arange(0, start_s[-1] + 1, 86_400)
    first = np.unique(np.searchsorted(start_s, day_s))
    pieces = np.diff([*first, len(start_s)])
    least = np.repeat(np.minimum.reduceat(flow.steps, first), pieces)
    is_steady = (flow.steps <= least) & (flow.gpm < below_gpm)
    return Flow(flow.edge_s, np.where(is_steady, flow.gpm, 0.0))


@cache
def _bin_of_step() -> NDArray[np.int16]:
    """Bin of each flow in steps: a look-up is many times faster than a logarithm."""
    gpm = np.arange(LARGEST_GPM * STEPS_PER_GPM) / STEPS_PER_GPM
    decades = np.log10(np.maximum(gpm, FIRST_BIN_GPM) / FIRST_BIN_GPM)
    bins = np.minimum(decades * BINS_PER_DECADE, BIN_COUNT - 1)
    return np.asarray(bins, dtype=np.int16)
