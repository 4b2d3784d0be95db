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

NEAREST: Final = 3
"""[samples] that a measurement leaves at least: our convention, set on the closed form of a
normal prior and a normal error and on truths drawn apart from the samples; more hide what is
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


def likeness(
    drawn: Floats, seen: Floats, *, own_as_nearest: bool = False
) -> NDArray[np.float32]:
    """Weights of J samples for each of T measurements at P accounts [P, T, J].

    Parameters
    ----------
    drawn : array [P, J, F]
        Readings of each sample, in units of their error.
    seen : array [P, T, F]
        Measurements; NaN for what was not measured.
    own_as_nearest : bool
        Measurement t comes from sample t, which then counts no more than the `NEAREST`-th of
        the others: a truth that is one of a few samples would be known too well. Left out
        altogether it would be missed where little is measured.
    """
    shape = (len(drawn), seen.shape[1], drawn.shape[1])
    if drawn.shape[2] == 0:  # nothing is measured: all are as likely
        return np.full(shape, np.float32(1) / np.float32(shape[2]))
    apart = np.zeros(shape, dtype=np.float32)
    is_whole = not (np.isnan(seen).any() or np.isnan(drawn).any())
    for f in range(drawn.shape[2]):
        step = seen[:, :, f, None] - drawn[:, None, :, f]
        np.square(step, out=step)
        if not is_whole:
            step[np.isnan(step)] = 0.0
        apart += step
    if own_as_nearest:
        own = np.arange(seen.shape[1])
        itself = apart[:, own, own]
        apart[:, own, own] = np.inf
        among = min(NEAREST, shape[2] - 1) - 1
        least = _least(apart)
        apart[:, own, own] = np.maximum(itself, least[among])
    if not own_as_nearest or shape[2] <= NEAREST:  # else the nearest are those of the others
        least = _least(apart)
    apart -= least[0][..., None]
    apart /= -2 * np.maximum(least[-1], 1.0)[..., None]
    np.exp(apart, out=apart)
    apart /= apart.sum(axis=-1, keepdims=True)
    return apart


def _least(apart: NDArray[np.float32]) -> list[NDArray[np.float32]]:
    """The `NEAREST` least of [P, T, J] over the samples, in order: a few passes, no sort."""
    by_sample = np.ascontiguousarray(apart.transpose(2, 0, 1))
    least: list[NDArray[np.float32]] = []
    for value in by_sample:
        larger = value
        for k, held in enumerate(least):
            least[k], larger = np.minimum(held, larger), np.maximum(held, larger)
        if len(least) < NEAREST:
            least.append(larger)
    return least
