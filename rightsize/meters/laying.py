"""What a meter asks of the pipe: laying length, ends, straight run, strainer, power.

An entry of the catalog may say its own; otherwise the tables below stand in, and a length that
no table has is unknown.

References
----------
Laying lengths: AWWA C700 (displacement), C701 class II without strainer (turbine), C702
(compound), from memory, medium trust; multi-jet and single-jet as displacement, which they
replace (common practice). Threaded ends to 1 in, flanged from 1 1/2 in: the same standards.
Straight run upstream: makers differ; common practice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rightsize.meters.assembly_loss import has_strainer
from rightsize.meters.catalogue import Meter

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_SMALL: Final = {0.625: 7.5, 0.75: 9.0, 1.0: 10.75, 1.5: 13.0, 2.0: 17.0}
LAY_LENGTH_IN: Final[dict[str, dict[float, float]]] = {
    "displacement": _SMALL,
    "multi_jet": _SMALL,
    "single_jet": _SMALL,
    "turbine": {1.5: 13.0, 2.0: 10.0, 3.0: 12.0, 4.0: 14.0, 6.0: 18.0, 8.0: 20.0, 10.0: 26.0},
    "compound": {2.0: 15.25, 3.0: 17.0, 4.0: 20.0, 6.0: 24.0},
}
"""Laying length [in] by type and nominal size [in]."""
FLANGED_FROM_IN: Final = 1.5  # [in] see References
STRAIGHT_RUN_DIAMETERS: Final[dict[str, float]] = {
    "turbine": 5.0, "propeller": 5.0, "compound": 3.0, "single_jet": 3.0,
    "electromagnetic": 3.0, "ultrasonic": 5.0,
}  # fmt: skip
"""Straight pipe before the meter [diameters], strainer included; 0 for other types."""
_SAME_SIZE_IN: Final = 1e-6  # [in] of nominal sizes written as fractions


@dataclass(frozen=True)
class Laying:
    """One entry per meter, in catalog order; all [M]."""

    lay_length_in: Array  # NaN if unknown
    is_flanged: Flags
    straight_run_in: Array
    has_strainer: Flags
    needs_power: Flags


def laying(meters: Sequence[Meter]) -> Laying:
    """What some meters ask of the pipe; the same object for the same meters."""
    return _made(tuple(meters))


@lru_cache(maxsize=16)
def _made(meters: tuple[Meter, ...]) -> Laying:
    size = np.array([m.size_in for m in meters])
    run = np.array([STRAIGHT_RUN_DIAMETERS.get(m.meter_type, 0.0) for m in meters])
    ends = [m.end_connection for m in meters]
    return Laying(
        lay_length_in=np.array([_lay_length_in(m) for m in meters], dtype=np.float64),
        is_flanged=np.where(
            np.array([e is None for e in ends], dtype=bool),
            size >= FLANGED_FROM_IN - _SAME_SIZE_IN,
            np.array([e == "flanged" for e in ends], dtype=bool),
        ),
        straight_run_in=run * size,
        has_strainer=has_strainer(meters),
        needs_power=np.array([m.needs_power for m in meters], dtype=bool),
    )


def _lay_length_in(meter: Meter) -> float:
    if meter.lay_length_in is not None:
        return meter.lay_length_in
    return LAY_LENGTH_IN.get(meter.meter_type, {}).get(meter.size_in, np.nan)
