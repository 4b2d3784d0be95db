"""Quasi-random numbers that depend only on the meter's name.

Every meter uses the same Sobol points, rotated by its own offset (a Cranley-Patterson
rotation) from a hash of seed and meter. So results do not depend on the order or the blocks
in which a fleet is processed, and errors of different meters are independent.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.stats import qmc

Array = NDArray[np.float64]
_SOBOL_SEED: Final = 20250101  # scrambling of the common points; any fixed number will do
_DIGEST_BYTES: Final = 16  # start and step of the mixing, 64 bits each
# Of splitmix64 (Steele, Lea and Flood 2014, OOPSLA; from memory, held by its known outputs).
_GOLDEN: Final = np.uint64(0x9E3779B97F4A7C15)
_MIX: Final = (np.uint64(0xBF58476D1CE4E5B9), np.uint64(0x94D049BB133111EB))
_SHIFT: Final = (np.uint64(30), np.uint64(27), np.uint64(31))
_MANTISSA_BITS: Final = 53  # of a double: the highest of the 64
_NEAR_END: Final = 1e-9  # [1] no number is nearer to 0 or 1: their normal quantile is finite


@lru_cache(maxsize=8)
def _points(count: int, dimensions: int) -> Array:
    sobol = qmc.Sobol(dimensions, scramble=True, rng=np.random.default_rng(_SOBOL_SEED))
    power = int(np.ceil(np.log2(max(count, 2))))
    return np.asarray(sobol.random_base2(power)[:count])


def offsets(keys: Sequence[str], *, seed: int, dimensions: int) -> Array:
    """Offsets in [0, 1) by key [key, dimension]."""
    out = np.empty((len(keys), dimensions))
    for i, key in enumerate(keys):
        digest = hashlib.blake2b(f"{seed}|{key}".encode(), digest_size=_DIGEST_BYTES).digest()
        start = np.frombuffer(digest, dtype=np.uint64)
        out[i] = _mixed(start, dimensions)
    return out


def _mixed(start: NDArray[np.uint64], dimensions: int) -> Array:
    """Uniform numbers from 128 bits by the splitmix64 finalizer."""
    with np.errstate(over="ignore"):
        step = np.arange(1, dimensions + 1, dtype=np.uint64) * _GOLDEN
        z = start[0] + step * (start[1] | np.uint64(1))
        z = (z ^ (z >> _SHIFT[0])) * _MIX[0]
        z = (z ^ (z >> _SHIFT[1])) * _MIX[1]
        z = z ^ (z >> _SHIFT[2])
    return np.asarray(
        (z >> np.uint64(64 - _MANTISSA_BITS)).astype(np.float64) / 2.0**_MANTISSA_BITS
    )


def uniforms(keys: Sequence[str], *, count: int, dimensions: int, seed: int) -> Array:
    """Uniform numbers in (0, 1) by sample, key and dimension [count, key, dimension]."""
    points = _points(count, dimensions)
    turned = points[:, None, :] + offsets(keys, seed=seed, dimensions=dimensions)[None]
    return np.asarray(np.clip(turned % 1.0, _NEAR_END, 1 - _NEAR_END))
