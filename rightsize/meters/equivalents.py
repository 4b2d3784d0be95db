"""Meters in units of the smallest: the ratio by which fixed charges often follow size.

References
----------
AWWA M1: ratio of SMOC to the 20 gpm of a 5/8 in displacement meter (from memory, high trust;
Pleasanton CA rate study, Table 3-9, read). San Marcos TX land-use equivalency table: ratio of
continuous ratings to 10 gpm (read).
"""

from __future__ import annotations

from typing import Final

from rightsize.meters.catalogue import Meter

BASE_SMOC_GPM: Final = 20.0
BASE_CONTINUOUS_GPM: Final = 10.0


def capacity_equivalents(meter: Meter) -> float:
    """Safe maximum operating capacity in 5/8 in meters [1]."""
    return meter.smoc_gpm / BASE_SMOC_GPM


def continuous_equivalents(meter: Meter) -> float:
    """Continuous rating in 5/8 in meters [1]."""
    return meter.continuous_gpm / BASE_CONTINUOUS_GPM
