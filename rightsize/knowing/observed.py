"""What each kind of learning would read in each joint sample, in units of its own error.

Notes
-----
Readings are held in two groups: what tells of volume and money, and what tells of peaks and
fit. The rules ask for the odds of benefit and of fit each by itself, so each is weighed by its
own group: a log of nights, which says nothing of peaks, must not make them look certain because
few samples agree with its steady flow.

Flows are compared by their logarithm, with a relative error. Steady flow may be nothing: it is
compared by asinh(r x / f) / r, whose slope is one over the error sqrt(f^2 + (r x)^2) of a meter
with relative error r and a floor f. A clamp-on meter's floor is a velocity, so it grows with
the pipe's area (common practice: transit-time meters state 0.01 to 0.03 ft/s near rest).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rightsize.knowing.kinds import Errors

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

GPM_PER_FT3_S: Final = 448.831
"""[gpm per ft3/s] 7.480519 gal a cubic foot, 60 s a minute."""
_IN_PER_FT: Final = 12
_LEAST: Final = 1e-9  # so that a logarithm is finite


@dataclass(frozen=True)
class Drawn:
    """Joint samples of what might be measured at A accounts."""

    peak_gpm: Array  # [J, A]
    sustained_gpm: Array  # [J, A]
    steady_gpm: Array  # [J, A] flow that never stops, as nights show it
    registration: Array  # [J, A] installed meter's registered over actual volume
    low_flow_share: Array  # [J, A]
    test_ratio: Array | None  # [J, A, 3] its registration at the flows of a test
    pipe_in: Array  # [A] where a clamp-on meter would stand
    interval_min: Array  # [A]
    has_peak_register: Flags  # [A]


def floor_gpm(pipe_in: Array, floor_fps: float) -> Array:
    """Flow that a clamp-on meter may show at rest [gpm, A]."""
    area_ft2 = math.pi / 4 * (pipe_in / _IN_PER_FT) ** 2
    return np.asarray(floor_fps * area_ft2 * GPM_PER_FT3_S)


def is_possible(kind: str, drawn: Drawn, errors: Errors) -> Flags:
    """Accounts at which this kind of learning is to be had and new [A]."""
    if kind == "finer_interval":
        return np.asarray(drawn.interval_min > errors.finer_interval_min)
    if kind == "peak_register":
        return ~drawn.has_peak_register
    possible = np.ones(len(drawn.pipe_in), dtype=bool)
    return possible if kind != "accuracy_test" or drawn.test_ratio is not None else ~possible


@dataclass(frozen=True)
class Readings:
    """Readings of a kind of learning in each sample, in units of their errors."""

    volume_readings: NDArray[np.float32]  # [J, A, F]
    peak_readings: NDArray[np.float32]  # [J, A, G]; G is 0 where it says nothing of peaks

    @property
    def groups(self) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Both, accounts first [A, J, F] and [A, J, G]."""
        return self.volume_readings.transpose(1, 0, 2), self.peak_readings.transpose(1, 0, 2)


def observed(kind: str, drawn: Drawn, errors: Errors) -> Readings:
    """Readings of a kind of learning in each sample.

    Raises
    ------
    KeyError
        If there is no such kind.
    """
    volume_readings, peak_readings = _READ[kind](drawn, errors)
    return Readings(_stacked(volume_readings, drawn), _stacked(peak_readings, drawn))


def _stacked(readings: list[Array], drawn: Drawn) -> NDArray[np.float32]:
    empty = np.zeros((*drawn.peak_gpm.shape, 0))
    return np.concatenate([empty, *(r[..., None] for r in readings)], -1, dtype=np.float32)


_Read = tuple[list[Array], list[Array]]


def _nights(drawn: Drawn, errors: Errors) -> _Read:
    return [_steady(drawn, errors)], []


def _weeks(drawn: Drawn, errors: Errors) -> _Read:
    return [
        _log(drawn.registration, errors.registration_of_log_share),
        drawn.low_flow_share / errors.low_flow_of_log_share,
        _steady(drawn, errors),
    ], [
        _log(drawn.peak_gpm, errors.peak_of_log_share),
        _log(drawn.sustained_gpm, errors.sustained_of_log_share),
    ]


def _finer(drawn: Drawn, errors: Errors) -> _Read:
    peak = _log(drawn.peak_gpm, errors.peak_of_finer_share)
    return [peak, drawn.low_flow_share / errors.low_flow_of_finer_share], [peak]


def _register(drawn: Drawn, errors: Errors) -> _Read:
    peak = _log(drawn.peak_gpm, errors.peak_of_register_share)
    return [peak], [peak]


def _log(value: Array, error_share: float) -> Array:
    return np.asarray(np.log(np.maximum(value, _LEAST)) / error_share)


def _steady(drawn: Drawn, errors: Errors) -> Array:
    floor = floor_gpm(drawn.pipe_in, errors.floor_fps)
    share = errors.night_flow_share
    return np.asarray(np.arcsinh(share * drawn.steady_gpm / floor) / share)


def _tested(drawn: Drawn, errors: Errors) -> _Read:
    ratio = drawn.test_ratio
    if ratio is None:
        return [], []
    return [ratio[..., k] / errors.test_share for k in range(ratio.shape[-1])], []


_READ: Final[dict[str, Callable[[Drawn, Errors], _Read]]] = {
    "night_logging": _nights,
    "flow_logging": _weeks,
    "accuracy_test": _tested,
    "finer_interval": _finer,
    "peak_register": _register,
}
