"""Kinds of learning: what each measures, and how far it may be out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

KINDS: Final = (
    "night_logging",
    "flow_logging",
    "accuracy_test",
    "finer_interval",
    "peak_register",
)
"""Two nights with a clamp-on meter; two weeks of flow at 10 s or 1 min; a test in the field or
on the bench; reads set to a finer interval; the register's own peak flow switched on."""

LOGS_OF_FLOW: Final = ("night_logging", "flow_logging")
"""Kinds for which a logger stands at the site, in the season that matters."""

SHOWS_PEAK: Final = ("flow_logging", "peak_register", "finer_interval")
"""Kinds that show an overload, so that a larger meter needs no further evidence."""


@dataclass(frozen=True)
class Errors:
    """Standard errors of what is measured; shares are relative."""

    peak_of_log_share: float  # of the year's 10 s peak, by two weeks
    sustained_of_log_share: float  # of the year's sustained hour, likewise
    registration_of_log_share: float  # of the register against the logger's volume
    low_flow_of_log_share: float  # points of the share of volume at low flow
    night_flow_share: float  # of steady flow, over nights
    floor_fps: float  # of a clamp-on meter at rest, as velocity in the pipe [ft/s]
    test_share: float  # of registration at each test flow
    peak_of_finer_share: float
    low_flow_of_finer_share: float
    peak_of_register_share: float
    finer_interval_min: float  # interval that reads can be set to
