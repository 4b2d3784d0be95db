"""Head loss of what stands in line with a meter: strainer, reducers, backflow preventer.

References
----------
Crane TP-410 for conical reducers (from memory, high trust; checked against the `fluids`
library). Loss coefficients of strainers and losses of backflow preventers differ by make:
common practice, see the constants and thresholds.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import pi, radians, sin
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rightsize.meter_types import MeterType
from rightsize.meters.arrays import meter_arrays
from rightsize.meters.catalogue import Meter
from rightsize.units import GAL_PER_FT3

Array = NDArray[np.float64]

STRAINER_TYPES: Final[tuple[MeterType, ...]] = ("turbine", "compound", "propeller")
"""Types with a rotor in the flow: a strainer stands before them (AWWA M6, from memory)."""
STRAINER_MIN_IN: Final = 1.5  # [in] smaller meters have a screen of their own: common practice
STRAINER_K: Final = 2.0  # [1] on the meter's bore, clean plate strainer: common practice
REDUCER_ANGLE_DEG: Final = 30.0  # [deg] full angle of a concentric reducer: common practice

_PSI_PER_FT: Final = 0.4335  # [psi/ft] head of water at 60 F
_GRAVITY_FT_S2: Final = 32.174  # [ft/s2] standard gravity
_HALF: Final = sin(radians(REDUCER_ANGLE_DEG / 2))
_CONTRACTION: Final = 0.8 * _HALF  # [1] Crane TP-410, angles up to 45 degrees
_ENLARGEMENT: Final = 2.6 * _HALF  # [1] the same
_SAME_SIZE_IN: Final = 1e-6  # [in] of nominal sizes written as fractions


def added_loss_psi_per_gpm2(meters: Sequence[Meter], service_line_in: Array) -> Array:
    """Loss of strainer and reducers of each meter at each site over flow squared [A, M].

    Parameters
    ----------
    meters : sequence of Meter
        A strainer stands before the types of `STRAINER_TYPES`.
    service_line_in : array [A]
        Nominal size of the service line; no reducers where it is NaN or no larger.

    Notes
    -----
    Both are coefficients of the velocity head in the meter's bore, so they follow the square
    of flow as the meter does.
    """
    held = meter_arrays(meters)
    size = held.size_in
    line = np.maximum(np.nan_to_num(service_line_in, nan=0.0)[:, None], size)
    k = reducer_k(size / line) + np.where(has_strainer(meters), STRAINER_K, 0.0)
    return np.asarray(k * velocity_head_psi_per_gpm2(size))


def has_strainer(meters: Sequence[Meter]) -> NDArray[np.bool_]:
    """Meters that a strainer stands before [M]."""
    held = meter_arrays(meters)
    is_large = held.size_in >= STRAINER_MIN_IN - _SAME_SIZE_IN
    return np.asarray(np.isin(held.meter_type, STRAINER_TYPES) & is_large, dtype=np.bool_)


def reducer_k(beta: Array) -> Array:
    """Loss coefficient of a reducer into a smaller bore and one out of it, on that bore.

    Parameters
    ----------
    beta : array
        Smaller over larger diameter; 1 has no reducers.
    """
    narrowing = 1 - np.asarray(beta) ** 2
    return np.asarray(_CONTRACTION * narrowing + _ENLARGEMENT * narrowing**2)


def velocity_head_psi_per_gpm2(bore_in: Array) -> Array:
    """Velocity head in a bore at 1 gpm [psi]; it follows the square of flow."""
    area_ft2 = pi / 4 * (np.asarray(bore_in) / 12) ** 2
    speed_ft_s = 1 / GAL_PER_FT3 / 60 / area_ft2
    return np.asarray(speed_ft_s**2 / (2 * _GRAVITY_FT_S2) * _PSI_PER_FT)
