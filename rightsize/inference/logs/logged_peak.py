"""The peak of logged accounts: what the log's days show, and what the reads say of the year."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rightsize.contracts.profiles import ProfileBlock
from rightsize.flow_logs.shown import LogShown
from rightsize.inference.logs.logged_flow import LoggedAccounts

Array = NDArray[np.floating[Any]]

# Set on simulated fleets 31 to 33 and recorded 21 (even days).
OWN_SD: Final = 0.11  # [log] of the year's peak about the two largest days of two weeks
SEASON_PULL: Final = 0.1  # [1] of the reads' largest interval over that of the log's days
SEASON_SD: Final = 0.2  # [1] of the same, what is not known of it
USUAL_DAYS: Final = 14.0  # [days] of the logs that these were set on
DAYS_PULL: Final = 0.05  # [log] for each e-fold of days that a log is shorter: our convention
PEAK_S: Final = 10.0  # [s] of the peak: convention
MINUTE_S: Final = 60.0


def logged_peak(
    peak_gpm: Array,
    minute_gpm: Array,
    block: ProfileBlock,
    logged: LoggedAccounts,
    actual_of: Sequence[Array | None],
    noise: Array,
) -> Array:
    """Peaks [J, A] of a block, those of logged accounts weighed with what the logs show.

    Parameters
    ----------
    peak_gpm, minute_gpm : arrays [J, A]
        What the reads say of the 10 s and the 1 min peak.
    block : ProfileBlock
    logged : LoggedAccounts
    actual_of : sequence
        For logs of the meter's pulses, actual over registered peak [J]; None for the others.
    noise : array [J, A]
        Standard normal numbers.

    Notes
    -----
    The largest flow of two weeks is near the flow that 0.001 % of a year exceeds, since that
    is exceeded for five minutes a year; a single outstanding day is half believed. What the
    reads say and what the log says are weighed by their precision.
    """
    out = peak_gpm.copy()
    for k, (row, log) in enumerate(zip(logged.row, logged.shown, strict=True)):
        if not len(log.day_peak_gpm) or log.peak_gpm <= 0:
            continue
        largest_gpm = float(block.max_interval_gpm[row])
        center, own_sd = _of_year(log, largest_gpm)
        inside = np.log(np.maximum(peak_gpm[:, row] / np.maximum(minute_gpm[:, row], 1e-9), 1))
        fine = np.log(max(log.step_s / PEAK_S, 1.0)) / np.log(MINUTE_S / PEAK_S)
        level = center + fine * inside
        if (ratio := actual_of[k]) is not None:
            level = level + np.log(ratio)
        by_reads = np.log(np.maximum(peak_gpm[:, row], 1e-9))
        variance = own_sd**2 + float(level.var())
        trust = variance / (variance + float(by_reads.var()))
        shown = level + own_sd * noise[:, row]
        out[:, row] = np.exp(trust * by_reads + (1 - trust) * shown)
    return out


def _of_year(log: LogShown, largest_gpm: float) -> tuple[float, float]:
    """Log of the year's peak by a log of some days, and its standard deviation."""
    ordered = np.sort(log.day_peak_gpm)[::-1]
    first, second = ordered[0], ordered[min(1, len(ordered) - 1)]
    season = _season(log, largest_gpm)
    short = float(np.log(max(USUAL_DAYS / len(log.day_peak_gpm), 1.0)))
    center = 0.5 * float(np.log(first) + np.log(max(second, 1e-9)))
    center += SEASON_PULL * season + DAYS_PULL * short
    parts = (OWN_SD, SEASON_SD * season, DAYS_PULL * short, log.pulse_gpm / log.peak_gpm)
    return center, float(np.linalg.norm(parts))


def _season(log: LogShown, largest_gpm: float) -> float:
    """Log of the year's largest interval over that of the log's days, at least 0."""
    seen = float(log.interval_gpm.max(initial=0.0))
    return float(np.log(max(largest_gpm / seen, 1.0))) if seen > 0 else 0.0
