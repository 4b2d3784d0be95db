"""What each kind of learning would read in each joint sample, in units of its own error.

Notes
-----
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
    steady_unseen_gpm: Array  # [J, A] steady flow below the installed meter's start
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


def observed(kind: str, drawn: Drawn, errors: Errors) -> NDArray[np.float32]:
    """Readings of a kind of learning in each sample, in units of its error [J, A, F].

    Raises
    ------
    KeyError
        If there is no such kind.
    """
    return np.stack(_READ[kind](drawn, errors), axis=-1).astype(np.float32)


def _nights(drawn: Drawn, errors: Errors) -> list[Array]:
    return [_steady(drawn, errors)]


def _weeks(drawn: Drawn, errors: Errors) -> list[Array]:
    return [
        _log(drawn.peak_gpm, errors.peak_of_log_share),
        _log(drawn.sustained_gpm, errors.sustained_of_log_share),
        _log(drawn.registration, errors.registration_of_log_share),
        drawn.low_flow_share / errors.low_flow_of_log_share,
        _steady(drawn, errors),
    ]


def _finer(drawn: Drawn, errors: Errors) -> list[Array]:
    return [
        _log(drawn.peak_gpm, errors.peak_of_finer_share),
        drawn.low_flow_share / errors.low_flow_of_finer_share,
    ]


def _register(drawn: Drawn, errors: Errors) -> list[Array]:
    return [_log(drawn.peak_gpm, errors.peak_of_register_share)]


def _log(value: Array, error_share: float) -> Array:
    return np.asarray(np.log(np.maximum(value, _LEAST)) / error_share)


def _steady(drawn: Drawn, errors: Errors) -> Array:
    floor = floor_gpm(drawn.pipe_in, errors.floor_fps)
    share = errors.night_flow_share
    return np.asarray(np.arcsinh(share * drawn.steady_unseen_gpm / floor) / share)


def _tested(drawn: Drawn, errors: Errors) -> list[Array]:
    ratio = drawn.test_ratio
    if ratio is None:
        return [np.zeros_like(drawn.peak_gpm)]
    return [ratio[..., k] / errors.test_share for k in range(ratio.shape[-1])]


_READ: Final[dict[str, Callable[[Drawn, Errors], list[Array]]]] = {
    "night_logging": _nights,
    "flow_logging": _weeks,
    "accuracy_test": _tested,
    "finer_interval": _finer,
    "peak_register": _register,
}
