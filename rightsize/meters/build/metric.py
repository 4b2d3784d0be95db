"""The metric meter family: all limits follow from Q3, R and the accuracy class.

References
----------
OIML R 49-1:2013, clauses 4.1 and 4.2; ISO 4064-1:2014, the same text. The values are from
memory (high trust).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from rightsize.errors import CatalogueError

AccuracyClass = Literal[1, 2]

Q2_OVER_Q1: Final = 1.6
Q4_OVER_Q3: Final = 1.25
R5_STEPS: Final = (1.0, 1.6, 2.5, 4.0, 6.3)
R10_STEPS: Final = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)
LEAST_R: Final = 40.0
LOWER_ZONE_PCT: Final[dict[int, float]] = {1: 3.0, 2: 5.0}
UPPER_ZONE_PCT: Final[dict[int, float]] = {1: 1.0, 2: 2.0}
WARM_UPPER_ZONE_PCT: Final[dict[int, float]] = {1: 2.0, 2: 3.0}
WARM_ABOVE_C: Final = 30.0
ROUNDING: Final = 1e-9
"""A flow this near Q1, Q2 or Q4 is that flow: 1.6 x 0.025 is not 0.04 in binary."""
PRESSURE_LOSS_BAR: Final = (0.63, 0.40, 0.25, 0.16, 0.10)
"""Pressure-loss classes dp63 to dp10: most bar lost from Q1 to Q3; 0.63 is the general cap."""


@dataclass(frozen=True)
class MetricRating:
    """A meter of the metric family.

    Q1 is the lowest flow within the error limits, Q2 divides the lower and upper zones,
    Q3 is the continuous flow, Q4 the short-term maximum.
    """

    q3_m3h: float
    r: float
    accuracy_class: AccuracyClass = 2

    def __post_init__(self) -> None:
        for name, value in (("q3_m3h", self.q3_m3h), ("r", self.r)):
            if not (math.isfinite(value) and value > 0):
                raise CatalogueError(f"{name}: must be above 0; got {value!r}")
        if self.r <= Q2_OVER_Q1:
            raise CatalogueError(
                f"r: Q3/Q1 must be above {Q2_OVER_Q1:g} (R 49 starts at 40); got {self.r:g}"
            )
        if self.accuracy_class not in LOWER_ZONE_PCT:
            raise CatalogueError(f"accuracy_class: allowed: 1, 2; got {self.accuracy_class!r}")

    @property
    def q1_m3h(self) -> float:
        """Minimum flow [m3/h]."""
        return self.q3_m3h / self.r

    @property
    def q2_m3h(self) -> float:
        """Transitional flow [m3/h]."""
        return Q2_OVER_Q1 * self.q1_m3h

    @property
    def q4_m3h(self) -> float:
        """Overload flow [m3/h]."""
        return Q4_OVER_Q3 * self.q3_m3h

    def permissible_error_pct(self, flow_m3h: float, *, water_c: float = 20.0) -> float:
        """Maximum permissible error of a new meter at a flow [%].

        Parameters
        ----------
        flow_m3h : float
            Actual flow [m3/h].
        water_c : float
            Temperature of the water [degrees Celsius].

        Returns
        -------
        float
            Limit [%]. Q2 itself belongs to the upper zone. NaN below Q1 and above Q4: there
            the standard sets no limit.
        """
        least, most = self.q1_m3h * (1 - ROUNDING), self.q4_m3h * (1 + ROUNDING)
        if not least <= flow_m3h <= most:
            return math.nan
        if flow_m3h < self.q2_m3h * (1 - ROUNDING):
            return LOWER_ZONE_PCT[self.accuracy_class]
        limits = WARM_UPPER_ZONE_PCT if water_c > WARM_ABOVE_C else UPPER_ZONE_PCT
        return limits[self.accuracy_class]

    def off_series(self) -> tuple[str, ...]:
        """Deviations from the standard's series, in words; empty if none.

        A value off the series is a warning, not an error: the series is extendable.
        """
        notes = []
        if not _on_series(self.q3_m3h, R5_STEPS):
            notes.append(f"Q3 {self.q3_m3h:g} m3/h is not in the R5 series of R 49")
        if not _on_series(self.r, R10_STEPS) or self.r < LEAST_R:
            notes.append(f"R {self.r:g} is not in the R10 series of R 49 from 40 up")
        return tuple(notes)


def _on_series(value: float, steps: tuple[float, ...]) -> bool:
    """Whether a value is a step of a decimal series, as printed (315, 6.3, 12.5 ...)."""
    mantissa = value / 10.0 ** math.floor(math.log10(value) + 1e-9)
    return any(abs(mantissa - step) < 1e-6 * step for step in steps)
