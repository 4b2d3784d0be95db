"""Means, odds and intervals over joint samples, each as likely as any other."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Floats = NDArray[np.floating[Any]]

TAIL_PARTS: Final = 20
"""One in twenty samples may lie outside a published interval on either side: 90 % inside, as
the contract says. A whole number, so that no rounding moves a bound to the next sample."""


def mean(value: Floats) -> Array:
    """Mean over the samples of `value` [J, ...]."""
    return np.asarray(value.mean(axis=0, dtype=np.float64))


def odds(event: NDArray[np.bool_]) -> Array:
    """Share j / J of the samples in which `event` [J, ...] is true, exact to the last digit."""
    return np.asarray(event.sum(axis=0, dtype=np.int32) / len(event))


def interval(value: Floats) -> tuple[Floats, Floats]:
    """Bounds that leave at most one sample in twenty outside on either side.

    Parameters
    ----------
    value : array [J, ...]
        Samples.

    Returns
    -------
    low, high : arrays [...]
        Each is one of the samples.
    """
    count = len(value)
    outside = -(-count // TAIL_PARTS) - 1  # the next sample would be one too many
    ordered = np.sort(np.ascontiguousarray(np.moveaxis(value, 0, -1)), axis=-1)
    return ordered[..., outside].copy(), ordered[..., count - 1 - outside].copy()


def with_mean(value: Floats) -> tuple[Array, Array, Array]:
    """Mean, low and high; the interval is widened to hold the mean of a skewed spread."""
    middle = mean(value)
    low, high = interval(value)
    return middle, np.asarray(np.minimum(low, middle)), np.asarray(np.maximum(high, middle))


def quantiles(value: Floats, shares: tuple[float, ...]) -> Array:
    """Quantiles over the last axis, between samples by the line: `np.quantile`, by one sort.

    Parameters
    ----------
    value : array [..., J]
        Samples side by side.
    shares : tuple of float
        Which quantiles Q [1].

    Returns
    -------
    array [Q, ...]
    """
    ordered, last = np.sort(value, axis=-1), value.shape[-1] - 1
    out = np.empty((len(shares), *value.shape[:-1]))
    for row, share in zip(out, shares, strict=True):
        at = int(share * last)
        part = np.float64(share * last - at)
        low, high = ordered[..., at], ordered[..., min(at + 1, last)]
        row[...] = low + (high - low) * part if part < 0.5 else high - (high - low) * (1 - part)
    return out
