"""A flow log and the register's reads of the same days, as columns."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Measures = Literal["meter", "pipe"]

DAY_S: Final = 86_400.0
_LEAST_SECONDS: Final = 1e-9


@dataclass(frozen=True)
class FlowLog:
    """Samples of one logger in the order of time; times are seconds of the UTC epoch.

    `measures` is `meter` where the logger counts the installed meter's own pulses, `pipe` where
    it has a sensor of its own. `error_share` is half of a 90 % range of that sensor's error.
    """

    start_s: Array  # [n] start of each sample
    step_s: float
    volume_gal: Array  # [n] NaN: the logger missed the sample
    measures: Measures
    error_share: float
    pulse_gal: float = 0.0  # 0: not pulses

    @property
    def end_s(self) -> float:
        """End of the last sample."""
        return float(self.start_s[-1]) + self.step_s

    @property
    def logged_days(self) -> float:
        """Days of samples that the logger did not miss [days]."""
        return float(np.isfinite(self.volume_gal).sum()) * self.step_s / DAY_S

    @property
    def missed_share(self) -> float:
        """Time between first and last sample without one [1]."""
        span = self.end_s - float(self.start_s[0])
        return float(np.clip(1 - self.logged_days * DAY_S / max(span, self.step_s), 0, 1))

    def reversed(self) -> FlowLog:
        """The log read from its end to its start."""
        turned = float(self.start_s[0]) + self.end_s - (self.start_s + self.step_s)
        return replace(self, start_s=turned[::-1], volume_gal=self.volume_gal[::-1])

    def within(self, from_s: Array, to_s: Array) -> tuple[Array, Array]:
        """Volume of stretches of time [gal], and the share of each that was logged [1]."""
        at, volume, logged = self._passed
        span = np.maximum(to_s - from_s, _LEAST_SECONDS)
        share = (np.interp(to_s, at, logged) - np.interp(from_s, at, logged)) / span
        return np.interp(to_s, at, volume) - np.interp(from_s, at, volume), share

    @cached_property
    def _passed(self) -> tuple[Array, Array, Array]:
        """Instants, and volume [gal] and logged time [s] up to each."""
        known = np.isfinite(self.volume_gal)
        edge = np.concatenate([self.start_s, self.start_s + self.step_s])
        order = np.argsort(edge, kind="stable")
        gal = np.where(known, self.volume_gal, 0.0)
        rate = np.concatenate([gal, -gal])[order] / self.step_s
        covered = np.concatenate([known, -1.0 * known])[order]
        seconds = np.diff(edge[order])
        volume = np.concatenate([[0.0], np.cumsum(np.cumsum(rate)[:-1] * seconds)])
        logged = np.concatenate([[0.0], np.cumsum(np.cumsum(covered)[:-1] * seconds)])
        return edge[order], volume, logged


@dataclass(frozen=True)
class RegisterReads:
    """Current interval reads of the logged meter; times are seconds of the UTC epoch."""

    start_s: Array  # [n]
    length_s: Array  # [n]
    registered_gal: Array  # [n]
    resolution_gal: float

    @property
    def size(self) -> int:
        """Number of reads."""
        return len(self.start_s)

    def only(self, kept: NDArray[np.bool_]) -> RegisterReads:
        """Some of the reads."""
        return replace(
            self,
            start_s=self.start_s[kept],
            length_s=self.length_s[kept],
            registered_gal=self.registered_gal[kept],
        )
