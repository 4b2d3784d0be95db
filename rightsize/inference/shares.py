"""Shares of time or volume by flow band."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from rightsize.demand.bands import BAND_CENTRES_GPM, band_of

Array = NDArray[np.floating[Any]]


def with_idle(shares: Array, idle: Array, steady: Array) -> Array:
    """Shares by band [J, A, B], and what continuous flow alone adds to its band [J, A]."""
    out = shares.copy()
    band = band_of(steady.astype(np.float64))
    value = np.where(band >= 0, idle, 0)
    at = np.maximum(band, 0)[..., None]
    np.put_along_axis(out, at, np.take_along_axis(out, at, -1) + value[..., None], -1)
    return out


def below(shares: Array, flow_gpm: Array) -> Array:
    """Sum of shares by band [J, A, B] below a flow [A]."""
    inside = BAND_CENTRES_GPM[None, :] < flow_gpm[:, None]
    return np.asarray(np.einsum("jab,ab->ja", shares, inside.astype(shares.dtype)))
