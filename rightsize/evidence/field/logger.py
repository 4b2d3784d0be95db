"""How a logger is set at a meter: sample length, and what size of pulse shows what is asked.

The constant of a meter's pulses (its volume for a pulse, the inverse of the K factor) is not in
any standard: it is on the register or in its certificate, and is confirmed on site. What can be
said beforehand is which constants serve: one so small that a sample shows the flow that
decides, and so large that pulses come no faster than contact and logger can tell.

Notes
-----
A sample of s seconds tells flow in steps of 60 pulse / s. The step may be at most `STEP_SHARE`
of the flow that decides, the expected 10 s peak.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

STEP_SHARE: Final = 0.05
"""Largest step of flow [1] against the flow that decides (our convention)."""
CONTACT_HZ: Final = 10.0
"""Pulses a second that a reed contact and its logger tell apart (common practice; the logger's
own limit governs)."""
SLOWEST_FPS: Final = 0.1
"""Velocity below which a clamp-on meter is doubtful [ft/s] (common practice)."""
GPM_PER_FPS_IN2: Final = 2.448
"""Flow [gpm] of 1 ft/s in a pipe of 1 in: pi/4 (1/12 ft)^2 x 448.83 gpm for a cubic foot a
second."""
SAMPLE_S: Final = {"flow_logging": 10.0, "night_logging": 60.0}
"""Length of a sample [s]: 10 s is the length of the peak that a meter is sized by."""


@dataclass(frozen=True)
class LoggerSetting:
    """How to set a logger at one meter; flows in gpm, volumes in gal."""

    sample_s: float
    smallest_pulse_gal: float  # below it pulses come too fast at the highest flow
    largest_pulse_gal: float  # above it a sample cannot tell the flow that decides
    decides_gpm: float

    @property
    def has_room(self) -> bool:
        """Whether one constant serves both ends."""
        return self.smallest_pulse_gal <= self.largest_pulse_gal


def logger_setting(
    *, decides_gpm: float, highest_gpm: float, sample_s: float = SAMPLE_S["flow_logging"]
) -> LoggerSetting:
    """Setting for a log of a meter's pulses.

    Parameters
    ----------
    decides_gpm : float
        The flow that the log is to show: the 10 s peak.
    highest_gpm : float
        What may pass at most.

    Raises
    ------
    ValueError
        If a flow is not above 0.
    """
    if not (decides_gpm > 0 and highest_gpm > 0):
        raise ValueError(f"flows must be above 0; got {decides_gpm:g} and {highest_gpm:g}")
    return LoggerSetting(
        sample_s=sample_s,
        smallest_pulse_gal=highest_gpm / 60 / CONTACT_HZ,
        largest_pulse_gal=STEP_SHARE * decides_gpm * sample_s / 60,
        decides_gpm=decides_gpm,
    )


def doubtful_below_gpm(pipe_in: float) -> float:
    """Flow below which a clamp-on meter on a pipe of this bore is doubtful [gpm]."""
    return GPM_PER_FPS_IN2 * pipe_in**2 * SLOWEST_FPS
