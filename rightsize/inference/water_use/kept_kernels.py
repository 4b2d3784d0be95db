"""Kernels that are shipped: making all of them takes a process almost two seconds.

`python -m pipelines.handbook.kernels` writes them; a test holds the file against the kernels.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import astuple, fields
from functools import lru_cache
from importlib import resources
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rightsize.inference.water_use.kernels import SIZE, Kernel, KernelKind, pulse_kernel

FILE: Final = "kernels.bin"
_WIDE: Final = np.dtype("<f8")
_SINGLE: Final = np.dtype("<f4")


def kernel_at(kind: KernelKind) -> Kernel:
    """The kernel of a kind in single precision: as it is shipped, or made where it is not."""
    return _shipped().get(kind) or pulse_kernel(kind)


def as_file(kinds: Sequence[KernelKind]) -> bytes:
    """The content of the file that ships the kernels of these kinds, column after column."""
    made = [pulse_kernel(kind) for kind in kinds]
    columns = (
        np.array([astuple(kind) for kind in kinds]).astype(_WIDE),
        np.stack([kernel.idle for kernel in made]).astype(_WIDE),
        np.stack([kernel.single_mass for kernel in made]).astype(_SINGLE),
    )
    return zlib.compress(b"".join(column.tobytes() for column in columns))


def from_file(content: bytes) -> dict[KernelKind, Kernel]:
    """Kernels by their kind."""
    held = zlib.decompress(content)
    each = (len(fields(KernelKind)) + SIZE) * _WIDE.itemsize + SIZE**2 * _SINGLE.itemsize
    count = len(held) // each
    wide = np.frombuffer(held, _WIDE, count * (len(fields(KernelKind)) + SIZE))
    kinds, idle = np.split(wide, [count * len(fields(KernelKind))])
    mass = np.frombuffer(held, _SINGLE, count * SIZE**2, offset=wide.nbytes)
    rows = zip(
        kinds.reshape(count, -1),
        mass.reshape(count, SIZE, SIZE),
        idle.reshape(count, SIZE),
        strict=True,
    )
    return {_kind(k): Kernel(m, i) for k, m, i in rows}


def _kind(row: NDArray[Any]) -> KernelKind:
    cv, ratio, share, is_single = row.tolist()
    return KernelKind(cv, ratio, share, bool(is_single))


@lru_cache(maxsize=1)
def _shipped() -> dict[KernelKind, Kernel]:
    file = resources.files("rightsize.inference.water_use") / FILE
    return from_file(file.read_bytes()) if file.is_file() else {}
