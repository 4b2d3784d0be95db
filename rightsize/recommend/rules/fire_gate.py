"""Service lines that may carry fire flow: none is changed before the record says so.

A line much larger than its meter's use asks for may feed sprinklers or hydrants. Where the
meter list does not record the fire arrangement, the account goes to engineering review.

Notes
-----
Lines of 4 in and more, and lines two sizes above the meter, are where fire flow is found
(common practice; fire and combined lines: AWWA M31, NFPA 13 and 24, named, not quoted). A 1 in
line behind a 5/8 in meter is the usual small service, so the second rule has a least size.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rightsize.contracts.sites import SiteBlock

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

SERVICE_SIZES_IN: Final = (
    0.625, 0.75, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0, 12.0, 16.0, 20.0,
)  # fmt: skip
"""Nominal sizes in which sizes are counted: those of meters and their services (common
practice: 2 1/2 in is no size of its own)."""
_ROUNDING_IN: Final = 1e-6  # [in] of nominal sizes written as fractions


def is_fire_unverified(
    sites: SiteBlock,
    installed_size_in: Array,
    *,
    fire_line_min_in: float,
    fire_line_sizes_above_meter: float,
    fire_line_step_min_in: float,
) -> Flags:
    """Accounts whose line may carry fire flow and whose fire arrangement is not recorded [A].

    Parameters
    ----------
    sites : SiteBlock
        Services of A meters. A line of unknown size is taken as large as its meter: no meter
        is larger than its line (common practice).
    installed_size_in : array [A]
        Nominal size of the installed meter [in].
    fire_line_min_in, fire_line_sizes_above_meter, fire_line_step_min_in : float
        The thresholds of those names.
    """
    listed_in = np.nan_to_num(sites.service_line_in, nan=0.0)
    line_in = np.maximum(listed_in, installed_size_in)
    above = _sizes_up_to(line_in) - _sizes_up_to(installed_size_in)
    is_wide = (above >= fire_line_sizes_above_meter) & (
        line_in >= fire_line_step_min_in - _ROUNDING_IN
    )
    may_carry = (line_in >= fire_line_min_in - _ROUNDING_IN) | is_wide
    recorded = sites.fire_arrangement or (None,) * sites.size
    is_unrecorded = np.array([r is None for r in recorded], dtype=bool)
    return np.asarray(may_carry & is_unrecorded, dtype=np.bool_)


def _sizes_up_to(size_in: Array) -> NDArray[Any]:
    return np.searchsorted(np.array(SERVICE_SIZES_IN), size_in + _ROUNDING_IN, side="right")
