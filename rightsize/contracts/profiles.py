"""Input of the inference from the profile stage: one block of accounts as columns.

SQL reduces reads to these sums per meter and month (`sql/30_profile`); months add up. All
flows are *registered* interval means [gpm] of the installed meter, bands are those of
`rightsize.demand.bands`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class ProfileBlock:
    """Sufficient statistics of A meters in service (one row per meter, shapes in brackets).

    Estimated and questionable reads count in volume and coverage, never in the flow-rate
    statistics (band counts, variance, peaks).
    """

    account_id: tuple[str, ...]  # [A]
    meter_id: tuple[str, ...]  # [A]
    customer_class: tuple[str, ...]  # [A] one of the contract's classes
    meter_index: NDArray[np.int64]  # [A] installed meter's row in the catalog
    interval_min: Array  # [A] read interval [min]
    resolution_gal: Array  # [A] register resolution [gal]
    days_covered: Array  # [A] days of reads
    reads_used: Array  # [A] reads used for flow rates
    registered_gal: Array  # [A] volume of all accepted reads [gal]
    band_count: Array  # [A, B] measured intervals with mean flow in the band
    band_gal: Array  # [A, B] their volume [gal]
    zero_count: Array  # [A] measured intervals with zero registration
    hour_count: (
        Array  # [A, B] 60-min windows by mean flow (equal to band_count for hourly reads)
    )
    within_ss: Array  # [A] squared deviations from the month x hour-of-week mean [gpm2]
    within_dof: Array  # [A] degrees of freedom of within_ss
    lag_ss: Array  # [A, 3] products of deviations 1, 2, 3 intervals apart [gpm2]
    lag_count: Array  # [A, 3] number of those products
    slot_ss: Array  # [A] squared hour-of-week means, weighed by their reads [gpm2]
    slot_step_ss: Array  # [A] half the squared steps between neighboring such means [gpm2]
    day_ss: Array  # [A] squared deviations of daily means from month x weekend mean [gpm2]
    day_dof: Array  # [A]
    max_interval_gpm: Array  # [A] largest interval mean
    max_hour_gpm: Array  # [A] largest 60-min mean
    max_day_gpm: Array  # [A] largest 24-h mean
    night_count: Array  # [A, B] days by band of their minimum 60-min mean between 0 and 6 h
    night_zero_count: Array  # [A] days with zero registration in their minimum night hour
    peak_register_gpm: Array  # [A] peak flow reported by the register, NaN if none

    @property
    def size(self) -> int:
        """Number of meters in the block."""
        return len(self.account_id)
