"""What bars a log from use, and what to do about it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from rightsize.findings import LOG_REFUSALS
from rightsize.flow_logs.agreement import Agreement
from rightsize.flow_logs.flow_log import FlowLog, RegisterReads
from rightsize.units import GAL_PER_FT3, L_PER_GAL
from rightsize.units.plain_number import plain_number

# Our conventions, checked on simulated logs (tests/unit/flow_logs).
LEAST_DAYS: Final = 2.0  # [days] that log and reads have in common: two nights
MOST_MISSED_SHARE: Final = 0.2  # [1] of the log's time
NOTED_MISSED_SHARE: Final = 0.02  # [1] from which gaps are told
SAME_WATER: Final = 0.6  # [1] of the correlation that rounding leaves possible
CLEARLY_BETTER: Final = 0.1  # [1] of correlation, to call a clock reversed
SHIFT_MARGIN: Final = (
    0.02  # [1] of correlation, to call a clock shifted; more where it is noisy
)
TOLERATED_SHIFT_SHARE: Final = 0.25  # [1] of an interval: less blurs nothing
SIZE_FACTORS: Final = (
    10.0, 100.0, 0.1, 0.01, GAL_PER_FT3, 1 / GAL_PER_FT3, L_PER_GAL, 1 / L_PER_GAL,
)  # fmt: skip
"""Ratios of a wrong pulse size: a digit, or gallons for cubic feet or liters, and back."""
FACTOR_ROOM: Final = 0.12  # [1] by which a ratio may miss such a factor
PLAUSIBLE_RATIO: Final = (
    0.6,
    1.7,
)  # [1] of volumes: outside, a size is wrong before a meter is
METER_ROOM: Final = 0.02  # [1] pulses and register are one count; samples and reads end apart
READ_ENDS: Final = 2.0  # [1] steps of the register that the first and last read are rounded by


@dataclass(frozen=True)
class ExpectedRatio:
    """Registered over logged volume that the meter's curve and errors allow [1]."""

    low: float
    high: float


@dataclass(frozen=True)
class Judged:
    """What came of a log: the rule that bars it, or None, with its words."""

    rule: str | None
    message: str
    agreement: Agreement | None
    note: str = ""

    @property
    def is_used(self) -> bool:
        """Whether the log may change what is known of its account."""
        return self.rule is None


def judged(
    log: FlowLog,
    reads: RegisterReads,
    found: Agreement,
    expected: ExpectedRatio,
    *,
    volume_text: Callable[[float], str],
) -> Judged:
    """The first rule that bars a log.

    Parameters
    ----------
    log, reads
        The log, and the register's reads around its days.
    found : Agreement
        Of both.
    expected : ExpectedRatio
        What the register may show of the logged volume.
    volume_text : callable
        A volume [gal] in words, in the utility's unit.
    """
    for rule, message in _barred(log, reads, found, expected, volume_text):
        return Judged(rule, f"{message}; {LOG_REFUSALS[rule]}", found)
    note = ""
    if log.missed_share > NOTED_MISSED_SHARE:
        note = f"the logger missed {_pct(log.missed_share)} of its time"
    return Judged(None, "agrees with the register", found, note)


def _barred(
    log: FlowLog,
    reads: RegisterReads,
    found: Agreement,
    expected: ExpectedRatio,
    volume_text: Callable[[float], str],
) -> Iterator[tuple[str, str]]:
    if log.logged_days < LEAST_DAYS:
        yield "too_short", f"{log.logged_days:.1f} days of samples"
    if log.missed_share > MOST_MISSED_SHARE:
        yield "gaps", f"the logger missed {_pct(log.missed_share)} of its time"
    if found.compared_days <= 0:
        yield "outside_reads", "no read of the meter falls into the log's time"
    if found.compared_days < LEAST_DAYS:
        yield "outside_reads", f"log and reads share {found.compared_days:.1f} days only"
    yield from _by_time(log, reads, found)
    yield from _by_volume(log, reads, found, expected, volume_text)


def _by_time(log: FlowLog, reads: RegisterReads, found: Agreement) -> Iterator[tuple[str, str]]:
    """What the pattern of the volumes tells: another meter, or a wrong clock."""
    if not found.has_pattern:
        return
    enough = SAME_WATER * found.possible
    best = max(found.shifted_correlation, found.correlation)
    if found.reversed_correlation >= max(enough, best + CLEARLY_BETTER):
        yield "clock_reversed", "read backward, the log agrees with the register"
    if best < enough:
        yield (
            "wrong_meter",
            "the log does not rise and fall with this meter's reads"
            f" (correlation {found.correlation:.2f}; the same water gives"
            f" {enough:.2f} or more)",
        )
    margin = SHIFT_MARGIN + (1 - found.possible) / 2
    interval_s = float(np.median(reads.length_s))
    drift = found.drift_s_per_day
    span_days = (log.end_s - float(log.start_s[0])) / 86_400
    is_better = found.undrifted_correlation > found.correlation + margin
    if is_better and abs(drift) * span_days > interval_s / 2:
        gains = "gains" if drift > 0 else "loses"
        yield "clock_drift", f"the logger's clock {gains} about {abs(drift):.0f} s a day"
    is_better = found.shifted_correlation > found.correlation + margin
    if abs(found.shift_s) > TOLERATED_SHIFT_SHARE * interval_s and is_better:
        late = "early" if found.shift_s > 0 else "late"
        yield (
            "clock_shifted",
            f"the log agrees with the register only when its times are moved by"
            f" {found.shift_s / 60:+,.0f} min: its clock is {late}",
        )


def _by_volume(
    log: FlowLog,
    reads: RegisterReads,
    found: Agreement,
    expected: ExpectedRatio,
    volume_text: Callable[[float], str],
) -> Iterator[tuple[str, str]]:
    """What the sums tell: a wrong pulse size, or a meter that errs more than it may."""
    slack = READ_ENDS * reads.resolution_gal
    low = expected.low * found.log_gal - slack
    high = expected.high * found.log_gal + slack
    if low <= found.register_gal <= high:
        return
    shown = f"log {volume_text(found.log_gal)}, register {volume_text(found.register_gal)}"
    ratio = found.ratio if found.register_gal > 0 else float("inf")
    factor = min(SIZE_FACTORS, key=lambda f: abs(np.log(max(ratio, 1e-9) / f)))
    is_outside = not PLAUSIBLE_RATIO[0] <= ratio <= PLAUSIBLE_RATIO[1]
    if is_outside and abs(np.log(max(ratio, 1e-9) / factor)) <= np.log1p(FACTOR_ROOM):
        yield (
            "pulse_size",
            f"{shown} in the same time: the {'log' if factor > 1 else 'register'}"
            f" is {_times(factor)} the {'register' if factor > 1 else 'log'}",
        )
    else:
        share = found.register_gal / max(found.log_gal, 1e-9)
        yield (
            "volume_disagrees",
            f"{shown} in the same time: the meter shows {_pct(share)} of the logged"
            f" volume, and {_pct(expected.low)} to {_pct(expected.high)} is what its curve and"
            " both errors allow",
        )


def _pct(share: float) -> str:
    return f"{100 * share:.0f} %"


def _times(factor: float) -> str:
    return f"{plain_number(max(factor, 1 / factor), 4)} times"
