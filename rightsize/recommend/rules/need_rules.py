"""Rules that hold a new meter against the installed one and the account's need.

The installed meter itself is exempt: it is there.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rightsize.meters.arrays import meter_arrays
from rightsize.meters.catalogue import Meter
from rightsize.recommend.rules.meter_rules import BIT

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_SAME_SIZE_IN: Final = 1e-6  # [in] of nominal sizes written as fractions


def need_rules(
    meters: Sequence[Meter],
    meter_index: NDArray[np.int64],
    *,
    peak_gpm: Array,
    design_peak_share: float,
    service_line_in: Array,
    is_undersized: Flags,
    is_season_unseen: Flags,
) -> NDArray[np.int32]:
    """Bits of the rules that depend on the account's need [A, M].

    Parameters
    ----------
    meter_index : int array [A]
        Installed meter.
    peak_gpm : array [A]
        Estimated peak: the design peak of a new meter.
    design_peak_share : float
        Largest share of a new meter's SMOC that the estimated peak may take, unless it is
        rated for no less than the installed one, which is not overloaded.
    service_line_in : array [A]
        Nominal size of the service line; NaN if it is not recorded.
    is_undersized : bool [A]
        The installed meter is overloaded: a larger one is needed, on a new line if it must be,
        and a meter of the same type and size with a higher rating is no mere replacement.
    is_season_unseen : bool [A]
        The seasonal peak may be missing from the reads.

    Notes
    -----
    Capacity is compared over all types: an electromagnetic meter of the next size is as much
    larger as a turbine of it.
    """
    held = meter_arrays(meters)
    smoc, size, kind = held.smoc_gpm, held.size_in, held.meter_type
    ours = smoc[meter_index][:, None]
    is_larger = (size > size[meter_index][:, None] + _SAME_SIZE_IN) & (
        (smoc > ours) | (kind == kind[meter_index][:, None])
    )
    is_same = (np.abs(size - size[meter_index][:, None]) < _SAME_SIZE_IN) & (
        kind == kind[meter_index][:, None]
    )
    over_line = size > service_line_in[:, None] + _SAME_SIZE_IN
    broken = {
        "service_line": over_line & ~is_undersized[:, None],
        "season_not_seen": is_season_unseen[:, None] & (smoc < ours),
        "larger_without_need": is_larger & ~is_undersized[:, None],
        "replacement_by_age": is_same & ~(is_undersized[:, None] & (smoc > ours)),
        "peak_over_design_share": (peak_gpm[:, None] > design_peak_share * smoc)
        & (is_undersized[:, None] | (smoc < ours)),
    }
    bits = np.zeros((len(meter_index), len(smoc)), dtype=np.int32)
    for name, where in broken.items():
        bits |= np.where(where, BIT[name], 0).astype(np.int32)
    bits[np.arange(len(meter_index)), meter_index] = 0
    return bits


def is_smaller_of_type(meters: Sequence[Meter], meter_index: NDArray[np.int64]) -> Flags:
    """Meters of the installed type that are smaller than the installed one [A, M]."""
    held = meter_arrays(meters)
    size, kind = held.size_in, held.meter_type
    result: Flags = (kind == kind[meter_index][:, None]) & (
        size < size[meter_index][:, None] - _SAME_SIZE_IN
    )
    return result


def is_smaller_size(
    meters: Sequence[Meter], meter_index: NDArray[np.int64], chosen: NDArray[np.int64]
) -> Flags:
    """Whether the chosen meter is of a smaller nominal size than the installed one [A]."""
    size = meter_arrays(meters).size_in
    return np.asarray(size[chosen] < size[meter_index] - _SAME_SIZE_IN, dtype=np.bool_)
