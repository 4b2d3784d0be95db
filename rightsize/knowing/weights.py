"""How likely each joint sample is, given what was measured.

Notes
-----
A sample whose reading differs from the measured one by d, in units of the error, has the
likelihood exp(-d^2 / 2). Where fewer than `NEAREST` samples lie within the error, it is widened
to the distance of the `NEAREST`-th: a few dozen samples cannot tell more, and a decision must
not rest on one of them.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]

NEAREST: Final = 2
"""[samples] that a measurement leaves at least: our convention, set on the closed form of
normal prior and normal error (`tests/unit/knowing/test_expected_gain.py`); more hide what is
rare, such as a leak in three samples of 64."""


def weights_given(drawn: Floats, seen: Floats) -> NDArray[np.float32]:
    """Weight of each joint sample given one measurement at each account.

    Parameters
    ----------
    drawn : array [J, A, F]
        Readings of each sample in units of their error (`observed`).
    seen : array [A, F]
        What was measured, in the same units; NaN for what was not.

    Returns
    -------
    array [J, A]
        Weights that sum to 1 over the samples.
    """
    found = likeness(drawn.transpose(1, 0, 2), seen[:, None, :])
    return np.asarray(found[:, 0, :].T)


def likeness(drawn: Floats, seen: Floats, *, without_self: bool = False) -> NDArray[np.float32]:
    """Weights of J samples for each of T measurements at P accounts [P, T, J].

    Parameters
    ----------
    drawn : array [P, J, F]
        Readings of each sample, in units of their error.
    seen : array [P, T, F]
        Measurements; NaN for what was not measured.
    without_self : bool
        Measurement t comes from sample t, which then does not count: a truth that is one of
        the samples would be known too well.
    """
    apart = np.zeros((len(drawn), seen.shape[1], drawn.shape[1]), dtype=np.float32)
    for f in range(drawn.shape[2]):
        step = seen[:, :, f, None] - drawn[:, None, :, f]
        np.square(step, out=step)
        apart += np.nan_to_num(step, copy=False, nan=0.0)
    if without_self:
        own = np.arange(seen.shape[1])
        apart[:, own, own] = np.inf
    count = min(NEAREST, apart.shape[2] - int(without_self))
    ordered = np.partition(apart, (0, count - 1), axis=-1)
    width = np.maximum(ordered[..., count - 1 : count], 1.0)
    apart -= ordered[..., :1]
    apart /= -2 * width
    np.exp(apart, out=apart)
    apart /= apart.sum(axis=-1, keepdims=True)
    return apart
