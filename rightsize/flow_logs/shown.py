"""What a log shows of its account: the flows inside the register's intervals, day by day."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rightsize.demand.bands import BAND_COUNT, band_of
from rightsize.flow_logs.agreement import WHOLE_SHARE
from rightsize.flow_logs.flow_log import DAY_S, FlowLog, Measures, RegisterReads

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

# Our conventions, checked on simulated logs (tests/unit/flow_logs).
STEADY_WINDOW_S: Final = 300.0  # [s] of the quietest stretch of each day: shorter is chance
STEADY_QUANTILE: Final = 0.5  # [1] of the days: steady is what runs on most of them
STEADY_ROOM: Final = 0.15  # [1] of it, within which flow is steady flow alone
LEAST_STEADY_GPM: Final = 0.02  # [gpm] less is not called steady flow
HOUR_S: Final = 3600.0  # [s]: definition
_LEAST_DAY_SHARE: Final = 0.9  # [1] of a day that is logged, for its peak to count


@dataclass(frozen=True)
class LogShown:
    """A log that may be used, reduced to what the inference needs.

    Intervals are the register's; `share` has the share of their time without flow in its first
    column, with steady flow alone in its last, and by flow band in those between.
    """

    measures: Measures
    error_share: float
    step_s: float
    start_s: Array  # [I] start of each interval, seconds of the UTC epoch
    interval_gpm: Array  # [I] mean flow that the register shows
    share: Array  # [I, B + 2]
    day: Whole  # [I] day of the log, from 0
    steady_gpm: float
    steady_day_gpm: Array  # [D] quietest stretch of each whole day
    day_peak_gpm: Array  # [D] largest sample of each whole day
    hour_gpm: float  # largest hour
    logged_days: float
    pulse_gpm: float = 0.0  # one pulse a sample: finer flow is not told; 0 if not pulses
    resolution_gal: float = 0.0  # of the register

    @property
    def day_count(self) -> int:
        """Days of the log."""
        return int(self.day.max(initial=-1)) + 1

    @property
    def peak_gpm(self) -> float:
        """Largest sample."""
        return float(self.day_peak_gpm.max(initial=0.0))


def together(older: LogShown, newer: LogShown) -> LogShown:
    """Two logs of one meter as one; where both cover an interval, the newer counts."""
    own = ~np.isin(older.start_s, newer.start_s)
    return replace(
        newer,
        start_s=np.concatenate([older.start_s[own], newer.start_s]),
        interval_gpm=np.concatenate([older.interval_gpm[own], newer.interval_gpm]),
        share=np.concatenate([older.share[own], newer.share]),
        day=np.concatenate([older.day[own], newer.day + older.day_count]),
        steady_day_gpm=np.concatenate([older.steady_day_gpm, newer.steady_day_gpm]),
        day_peak_gpm=np.concatenate([older.day_peak_gpm, newer.day_peak_gpm]),
        hour_gpm=max(older.hour_gpm, newer.hour_gpm),
        logged_days=older.logged_days + newer.logged_days,
    )


def hourly(log: LogShown) -> LogShown:
    """The log by whole hours of its intervals; as it is where these are hours or longer."""
    at, place = np.unique(log.start_s // HOUR_S, return_inverse=True)
    if len(at) == len(log.start_s):
        return log
    count = np.bincount(place)
    whole = count == count.max()
    share = np.zeros((len(at), log.share.shape[1]))
    np.add.at(share, place, log.share)
    first = np.unique(place, return_index=True)[1]
    return replace(
        log,
        start_s=(at * HOUR_S)[whole],
        interval_gpm=(np.bincount(place, log.interval_gpm) / count)[whole],
        share=(share / count[:, None])[whole],
        day=log.day[first][whole],
    )


def shown(log: FlowLog, reads: RegisterReads) -> LogShown:
    """Reduce a log to what it shows inside the intervals of the register."""
    flow = flow_gpm(log)
    day_count = max(int((log.end_s - log.start_s[0]) // DAY_S), 1)
    of_day = np.floor((log.start_s - log.start_s[0]) / DAY_S).astype(np.int64)
    quiet, peaks = _by_day(flow, of_day, day_count, log.step_s)
    steady = float(np.quantile(quiet, STEADY_QUANTILE)) if len(quiet) else 0.0
    steady = steady if steady >= LEAST_STEADY_GPM else 0.0
    _, covered = log.within(reads.start_s, reads.start_s + reads.length_s)
    kept = reads.only(covered >= WHOLE_SHARE)
    share = _shares(log, flow, kept, steady)
    mean = kept.registered_gal * 60 / kept.length_s
    middle = kept.start_s + kept.length_s / 2 - log.start_s[0]
    return LogShown(
        measures=log.measures,
        error_share=log.error_share,
        step_s=log.step_s,
        start_s=kept.start_s,
        interval_gpm=mean,
        share=share,
        day=np.minimum(np.maximum(middle // DAY_S, 0), day_count - 1).astype(np.int64),
        steady_gpm=steady,
        steady_day_gpm=quiet,
        day_peak_gpm=peaks,
        hour_gpm=_largest_hour(log),
        logged_days=log.logged_days,
        pulse_gpm=log.pulse_gal * 60 / log.step_s,
        resolution_gal=reads.resolution_gal,
    )


def flow_gpm(log: FlowLog) -> Array:
    """Flow of each sample [gpm], NaN where missed.

    A pulse is the water since the one before it: its volume is laid over the samples between.
    """
    flow = log.volume_gal * 60 / log.step_s
    if log.pulse_gal <= 0:
        return np.asarray(flow)
    known = np.isfinite(log.volume_gal)
    gal = log.volume_gal[known]
    place = np.flatnonzero(gal > 0)
    if not len(place):
        return np.asarray(flow)
    length = np.diff(np.concatenate([[-1], place]))
    level = np.repeat(gal[place] / length, length)
    spread = np.concatenate([level, np.zeros(len(gal) - len(level))])
    out = flow.copy()
    out[known] = spread * 60 / log.step_s
    return np.asarray(out)


def _by_day(sample_gpm: Array, of_day: Whole, days: int, step_s: float) -> tuple[Array, Array]:
    """Quietest stretch and largest sample of each day that is logged nearly whole."""
    window = max(round(STEADY_WINDOW_S / step_s), 1)
    least = _LEAST_DAY_SHARE * DAY_S / step_s
    quiet, peaks = [], []
    for day in range(days):
        mine = sample_gpm[of_day == day]
        mine = mine[np.isfinite(mine)]
        if len(mine) < least:
            continue
        whole = mine[: len(mine) // window * window].reshape(-1, window)
        quiet.append(float(whole.mean(axis=1).min()))
        peaks.append(float(mine.max()))
    return np.array(quiet), np.array(peaks)


def _shares(log: FlowLog, sample_gpm: Array, kept: RegisterReads, steady_gpm: float) -> Array:
    """Share of each interval's time by what flowed [I, B + 2]."""
    column = np.where(
        np.nan_to_num(sample_gpm) > 0, np.maximum(band_of(np.nan_to_num(sample_gpm)), 0) + 1, 0
    )
    if steady_gpm > 0:
        near = np.abs(sample_gpm - steady_gpm) <= STEADY_ROOM * steady_gpm
        column = np.where(near, BAND_COUNT + 1, column)
    if not kept.size:
        return np.zeros((0, BAND_COUNT + 2))
    order = np.argsort(kept.start_s, kind="stable")
    start = kept.start_s[order]
    at = np.searchsorted(start, log.start_s + log.step_s / 2, side="right") - 1
    inside = (at >= 0) & np.isfinite(sample_gpm)
    inside &= log.start_s + log.step_s / 2 < (start + kept.length_s[order])[np.maximum(at, 0)]
    width = BAND_COUNT + 2
    count = np.bincount(at[inside] * width + column[inside], minlength=kept.size * width)
    share = count.reshape(kept.size, width).astype(np.float64)
    share /= np.maximum(share.sum(axis=1, keepdims=True), 1)
    out = np.empty_like(share)
    out[order] = share
    return out


def _largest_hour(log: FlowLog) -> float:
    edge = np.arange(log.start_s[0], log.end_s - 3599, 600.0)
    gal, covered = log.within(edge, edge + 3600)
    whole = covered >= WHOLE_SHARE
    return float(gal[whole].max() / 60) if whole.any() else 0.0
