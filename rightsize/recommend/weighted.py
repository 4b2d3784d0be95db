"""Means, odds and quantiles over weighted joint draws."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]

# Weights are float sums: without slack 0.05 made of two draws of 0.025 may fall short of it.
_SLACK = 1e-6


def weighted_mean(value: Floats, weight: Floats) -> Floats:
    """Mean over draws of `value` [J, A] or [J, A, M] with `weight` [J, A]."""
    if value.ndim == weight.ndim:
        result: Floats = np.einsum("ja,ja->a", weight, value)
    else:
        result = np.einsum("ja,jam->am", weight.astype(value.dtype), value)
    return result


def odds(event: NDArray[np.bool_], weight: Floats) -> Floats:
    """Share of the weight of the draws in which `event` [J, A] or [J, A, M] is true."""
    dtype = np.float64 if event.ndim == weight.ndim else np.float32
    return np.clip(weighted_mean(event.astype(dtype), weight), 0.0, 1.0)


def interval(
    value: Floats, weight: Floats, *, tail_share: float = 0.05
) -> tuple[Floats, Floats]:
    """Bounds that leave at most `tail_share` of the weight outside on either side.

    Parameters
    ----------
    value : array [J, A] or [J, A, M]
        Draws.
    weight : array [J, A]
        Weight of each draw, summing to 1 over J.
    tail_share : float
        Weight allowed below the low bound, and above the high bound.

    Returns
    -------
    low, high : arrays [A] or [A, M]
        Each is one of the draws.
    """
    draws_last = np.ascontiguousarray(np.moveaxis(value, 0, -1))
    order = np.argsort(draws_last, axis=-1)
    ordered = np.take_along_axis(draws_last, order, axis=-1)
    weights = np.ascontiguousarray(weight.T.astype(draws_last.dtype))
    if value.ndim > weight.ndim:
        weights = np.broadcast_to(weights[:, None, :], draws_last.shape)
    below = np.cumsum(np.take_along_axis(weights, order, axis=-1), axis=-1)
    last = value.shape[0] - 1
    total = below[..., -1:]
    low_at = np.minimum((below < tail_share * total - _SLACK).sum(axis=-1), last)
    high_at = np.minimum((below <= (1 - tail_share) * total + _SLACK).sum(axis=-1), last)
    return _pick(ordered, low_at), _pick(ordered, high_at)


def _pick(ordered: Floats, at: NDArray[np.int64]) -> Floats:
    result: Floats = np.take_along_axis(ordered, at[..., None], axis=-1)[..., 0]
    return result
