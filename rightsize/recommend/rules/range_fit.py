"""Whether flows are within a meter's limits: peak, sustained flow, head loss."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rightsize.meters.arrays import meter_arrays
from rightsize.meters.catalogue import Meter
from rightsize.meters.head_loss import flow_at_loss_gpm

Array = NDArray[np.float64]


@dataclass(frozen=True)
class FlowLimits:
    """Flow limits of M meters, at A sites for head loss."""

    peak_gpm: Array  # [M] safe maximum operating capacity, less the margin
    sustained_gpm: Array  # [M] maximum continuous flow, less the margin
    head_gpm: Array  # [A, M] flow at which the site's spare head is used up


def flow_limits(
    meters: tuple[Meter, ...],
    spare_head_psi: Array,
    *,
    smoc_margin_share: float = 0.0,
    continuous_margin_share: float = 0.0,
    added_psi_per_gpm2: Array | float = 0.0,
) -> FlowLimits:
    """Limits of each meter at sites with available pressure drop `spare_head_psi` [A, psi].

    Parameters
    ----------
    spare_head_psi : array [A]
        What meter, strainer and reducers may take; a backflow assembly's loss is taken off.
    added_psi_per_gpm2 : array [A, M]
        Loss of strainer and reducers over flow squared.

    Notes
    -----
    Head loss follows the square of flow, so the flow that uses up the spare head grows with
    its square root.
    """
    rated = meter_arrays(meters)
    at_one_psi = np.array([flow_at_loss_gpm(1.0, m) for m in meters])
    lost = 1 / at_one_psi**2 + added_psi_per_gpm2
    return FlowLimits(
        peak_gpm=rated.smoc_gpm * (1 - smoc_margin_share),
        sustained_gpm=rated.continuous_gpm * (1 - continuous_margin_share),
        head_gpm=np.sqrt(np.maximum(spare_head_psi, 0.0)[:, None] / lost),
    )
