"""Choice of the kernel for a sample: the nearest of a few precomputed ones."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rightsize.inference.water_use.kept_kernels import kernel_at
from rightsize.inference.water_use.kernels import INTENSITY_CV, KernelKind
from rightsize.inference.water_use.patterns import RATIOS, SHARES, SINGLE_SHARES, Patterns

Array = NDArray[np.floating[Any]]
SINGLE_RATIOS: Final = (1.5, 4.0, 10.0, 25.0, 79.4)  # [1] grid of kernels: convention
_LEAST_RATIO: Final = 1e-3  # [1] so that it has a logarithm: convention
KINDS: Final = (
    KernelKind(INTENSITY_CV),
    *(KernelKind(INTENSITY_CV, r, s) for r in RATIOS for s in SHARES),
    *(
        KernelKind(INTENSITY_CV, r, s, is_single=True)
        for r in SINGLE_RATIOS
        for s in SINGLE_SHARES
    ),
)


def kernel_of(how: Patterns) -> tuple[tuple[KernelKind, ...], NDArray[np.int64]]:
    """The nearest kernel of each sample [J, A]."""
    share = np.argmin(np.abs(how.share[..., None] - np.array(SHARES)), axis=-1)
    share_alone = np.argmin(np.abs(how.share[..., None] - np.array(SINGLE_SHARES)), axis=-1)
    log_ratio = np.log(np.maximum(how.ratio, _LEAST_RATIO))[..., None]
    paired = np.argmin(np.abs(log_ratio - np.log(RATIOS)), axis=-1)
    alone = np.argmin(np.abs(log_ratio - np.log(SINGLE_RATIOS)), axis=-1)
    count = len(SHARES)
    which = np.where(how.ratio == 1.0, 0, 1 + paired * count + share)
    singles = 1 + len(RATIOS) * count + alone * len(SINGLE_SHARES) + share_alone
    return KINDS, np.where(how.is_single, singles, which)


def unit_scale(how: Patterns, kinds: tuple[KernelKind, ...], which: NDArray[np.int64]) -> Array:
    """Correction factor on the unit if the nearest kernel is not exact.

    Of uses run one at a time the large intensity is kept, of others the mean intensity.
    """
    ratio = np.array([k.ratio for k in kinds])[which]
    share = np.array([k.share for k in kinds])[which]
    mean = (1 - how.share + how.share * how.ratio) / (1 - share + share * ratio)
    return np.asarray(np.where(how.is_single, how.ratio / ratio, mean))


def make_kernels() -> None:
    """Have every kernel at hand before work is distributed, so that no two threads make one."""
    for kind in KINDS:
        kernel_at(kind)
