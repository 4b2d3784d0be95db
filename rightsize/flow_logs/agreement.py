"""Whether a log is of this meter and of this time: its volumes against the register's reads.

The same water passed both, so their volumes go up and down together, interval by interval,
also once the habits of the day are taken out, which neighbors share.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rightsize.flow_logs.flow_log import DAY_S, FlowLog, RegisterReads

Array = NDArray[np.float64]

# Our conventions, checked on simulated logs (tests/unit/flow_logs).
WHOLE_SHARE: Final = 0.9  # [1] of an interval that is logged: it is compared, the rest filled
LONGEST_SHIFT_S: Final = 26 * 3600.0  # [s] a zone and an hour more: clocks are not off by more
FINE_PARTS: Final = 12  # [1] of an interval, in which a small shift is sought
FEWEST_INTERVALS: Final = 24  # [1] fewer show no pattern
DAYS_FOR_HABITS: Final = 4.0  # [days] from which the habits of the day can be taken out
HABITS_LEAVE_SHARE: Final = 0.25  # [1] of the spread; less is a timer's, and tells nothing more
FLAT_SHARE: Final = 0.03  # [1] of the mean: flow that varies less shows no pattern
ROUNDING: Final = 1 / 6  # [1] variance of a difference of two rounded readings: res^2 / 6


@dataclass(frozen=True)
class Agreement:
    """What log and register have in common."""

    interval_count: int  # intervals that both cover
    compared_days: float
    log_gal: float
    register_gal: float
    has_pattern: bool  # the flow varies enough for its times to tell anything
    correlation: float  # of interval volumes about the habits of the day; NaN without pattern
    possible: float  # correlation that rounding of the register leaves possible
    shift_s: float  # by which the log must be put forward to agree best
    shifted_correlation: float
    reversed_correlation: float
    drift_s_per_day: float  # what the logger's clock seems to gain a day; NaN unknown
    undrifted_correlation: float  # the same when the log is cleared of that; NaN unknown

    @property
    def ratio(self) -> float:
        """Logged over registered volume; NaN without any."""
        return self.log_gal / self.register_gal if self.register_gal > 0 else float("nan")


def agreement(log: FlowLog, reads: RegisterReads) -> Agreement:
    """Hold a log against the register's reads.

    Parameters
    ----------
    log : FlowLog
    reads : RegisterReads
        Of the same meter, over the log's days and `LONGEST_SHIFT_S` on either side.
    """
    gal, whole = _logged(log, reads.start_s, reads.length_s)
    logged, shown = gal[whole], reads.registered_gal[whole]
    compared = reads.only(whole)
    days = float(compared.length_s.sum()) / DAY_S
    unknown = float("nan")
    volumes = Agreement(
        interval_count=int(whole.sum()),
        compared_days=days,
        log_gal=float(logged.sum()),
        register_gal=float(shown.sum()),
        has_pattern=False,
        correlation=unknown,
        possible=unknown,
        shift_s=0.0,
        shifted_correlation=unknown,
        reversed_correlation=unknown,
        drift_s_per_day=unknown,
        undrifted_correlation=unknown,
    )
    if len(shown) < FEWEST_INTERVALS or _is_flat(logged, shown, reads.resolution_gal):
        return volumes
    interval_s = float(np.median(reads.length_s))
    coarse = np.arange(-LONGEST_SHIFT_S, LONGEST_SHIFT_S + 1, max(interval_s, 900.0))
    fine = np.arange(-FINE_PARTS, FINE_PARTS + 1) * interval_s / FINE_PARTS
    shift, best = _best_shift(log, reads, np.union1d(coarse, fine))
    shift, best = _best_shift(log, reads, shift + fine)
    _, backward = _best_shift(log.reversed(), reads, np.union1d(coarse, fine))
    drift = _drift(log, reads, interval_s, shift)
    return replace(
        volumes,
        has_pattern=True,
        correlation=_correlation(log, reads, 0.0),
        possible=_possible(shown, reads.resolution_gal),
        shift_s=shift,
        shifted_correlation=best,
        reversed_correlation=backward,
        drift_s_per_day=drift,
        undrifted_correlation=_undrifted(log, reads, drift),
    )


def _logged(log: FlowLog, start_s: Array, length_s: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Logged volume of intervals, missed samples filled by the others, and which are whole."""
    gal, share = log.within(start_s, start_s + length_s)
    return gal / np.maximum(share, WHOLE_SHARE), share >= WHOLE_SHARE


def _is_flat(logged: Array, shown: Array, resolution_gal: float) -> bool:
    """Whether nothing but rounding varies."""
    mean = max(float(logged.mean()), float(shown.mean()))
    noise = np.sqrt(ROUNDING) * resolution_gal
    return bool(logged.std() <= max(FLAT_SHARE * mean, noise))


def _possible(shown: Array, resolution_gal: float) -> float:
    """Correlation that the register's rounding leaves between it and the same water."""
    variance = float(shown.var())
    noise = ROUNDING * resolution_gal**2
    return float(np.sqrt(max(variance - noise, 0.0) / variance)) if variance > 0 else 0.0


def _correlation(log: FlowLog, reads: RegisterReads, shift_s: float) -> float:
    """Correlation of interval volumes about their means by hour of day [1]; 0 if unknown."""
    gal, whole = _logged(log, reads.start_s - shift_s, reads.length_s)
    if whole.sum() < FEWEST_INTERVALS:
        return 0.0
    kept = reads.only(whole)
    logged, shown = gal[whole] / kept.length_s, kept.registered_gal / kept.length_s
    if kept.length_s.sum() / DAY_S >= DAYS_FOR_HABITS:
        hour = ((kept.start_s % DAY_S) // 3600).astype(np.int64)
        apart = _about_habits(logged, hour), _about_habits(shown, hour)
        if min(apart[0].std(), apart[1].std()) > HABITS_LEAVE_SHARE * logged.std():
            logged, shown = apart
    spread = float(logged.std() * shown.std())
    together = float(np.mean((logged - logged.mean()) * (shown - shown.mean())))
    return together / spread if spread > 0 else 0.0


def _about_habits(flow_gps: Array, hour: NDArray[np.int64]) -> Array:
    """Flow less its mean of the hour of the day."""
    count = np.bincount(hour, minlength=24)
    mean = np.bincount(hour, flow_gps, 24) / np.maximum(count, 1)
    return np.asarray(flow_gps - mean[hour])


def _best_shift(log: FlowLog, reads: RegisterReads, shifts_s: Array) -> tuple[float, float]:
    """The shift at which the log agrees best, the smallest of equals, and how well."""
    order = shifts_s[np.argsort(np.abs(shifts_s), kind="stable")]
    found = np.array([_correlation(log, reads, float(s)) for s in order])
    best = int(found.argmax())
    return float(order[best]), float(found[best])


def _undrifted(log: FlowLog, reads: RegisterReads, drift_s_per_day: float) -> float:
    """Correlation when the logger's clock is put right, its start kept."""
    if not np.isfinite(drift_s_per_day):
        return float("nan")
    since = log.start_s - log.start_s[0]
    true = replace(log, start_s=log.start_s[0] + since / (1 + drift_s_per_day / DAY_S))
    return _correlation(true, reads, 0.0)


def _drift(log: FlowLog, reads: RegisterReads, interval_s: float, shift_s: float) -> float:
    """What the logger's clock gains a day [s]: the shift of its last third less its first's."""
    first_s, span = float(log.start_s[0]), log.end_s - float(log.start_s[0])
    if span < 3 * DAY_S:
        return float("nan")
    shifts = shift_s + np.arange(-2 * FINE_PARTS, 2 * FINE_PARTS + 1) * interval_s / FINE_PARTS
    ends = []
    for low, high in ((0.0, 1 / 3), (2 / 3, 1.0)):
        inside = (log.start_s >= first_s + low * span) & (log.start_s < first_s + high * span)
        part = FlowLog(
            log.start_s[inside], log.step_s, log.volume_gal[inside], log.measures,
            log.error_share,
        )  # fmt: skip
        if inside.sum() < 2:
            return float("nan")
        found, how_well = _best_shift(part, reads, shifts)
        if how_well <= 0:
            return float("nan")
        ends.append(found)
    return (ends[0] - ends[1]) / (2 / 3 * span / DAY_S)
