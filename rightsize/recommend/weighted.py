"""Means, odds and quantiles over weighted joint draws."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]

# Weights are float sums: without slack 0.05 made of two draws of 0.025 may fall short of it.
_SLACK = 2e-6


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
    draw = _ordered_draws(value)
    count = value.shape[0]
    row = np.arange(value.shape[1]).reshape((-1,) + (1,) * (draw.ndim - 1))
    ordered = np.ascontiguousarray(weight.T, dtype=np.float32).ravel()[draw + row * count]
    below = np.cumsum(ordered, axis=-1, out=ordered)
    total = below[..., -1].copy()
    low_at = (below < (tail_share * total - _SLACK)[..., None]).sum(axis=-1)
    high_at = (below <= ((1 - tail_share) * total + _SLACK)[..., None]).sum(axis=-1)
    return _draw_at(value, draw, low_at), _draw_at(value, draw, high_at)


def _ordered_draws(value: Floats) -> NDArray[np.int64]:
    """Draws of each row in rising order of their value [A, J] or [A, M, J].

    The draw's number rides in the lowest bits of the mantissa, so that one plain sort, far
    faster than an indirect one, brings the order with it. It changes a value by less than
    2**-40 of itself: values closer than that may come in either order.
    """
    count = value.shape[0]
    mask = (1 << (count - 1).bit_length()) - 1
    key = np.array(np.moveaxis(value, 0, -1), dtype=np.float64, order="C")
    bits = key.view(np.int64)
    np.bitwise_and(bits, ~mask, out=bits)
    np.bitwise_or(bits, np.arange(count), out=bits)
    key.sort(axis=-1)
    np.bitwise_and(bits, mask, out=bits)
    return bits


def _draw_at(value: Floats, draw: NDArray[np.int64], at: NDArray[np.int64]) -> Floats:
    """The value itself of the draw at a place of the order."""
    place = np.minimum(at, value.shape[0] - 1)[..., None]
    picked = np.take_along_axis(draw, place, axis=-1)[..., 0]
    result: Floats = np.take_along_axis(value, picked[None, ...], axis=0)[0]
    return result
