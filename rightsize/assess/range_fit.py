"""Whether flows stay inside what a meter may carry: peak, sustained flow, head loss."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rightsize.meters.catalogue import Meter

Array = NDArray[np.float64]
Floats = NDArray[np.floating[Any]]


@dataclass(frozen=True)
class FlowLimits:
    """Largest flows that M meters may carry, at A sites where head loss decides."""

    peak_gpm: Array  # [M] safe maximum operating capacity, less the margin
    sustained_gpm: Array  # [M] maximum continuous flow, less the margin
    head_gpm: Array  # [A, M] flow at which the site's spare head is used up


def flow_limits(
    meters: tuple[Meter, ...],
    spare_head_psi: Array,
    *,
    smoc_margin_share: float = 0.0,
    continuous_margin_share: float = 0.0,
) -> FlowLimits:
    """Limits of each meter at sites that can spare `spare_head_psi` [A, psi].

    Notes
    -----
    Head loss follows the square of flow from the rated loss at SMOC, so the limit is
    smoc x sqrt(spare / loss at SMOC).
    """
    smoc = np.array([m.smoc_gpm for m in meters])
    continuous = np.array([m.continuous_gpm for m in meters])
    loss_psi = np.array([m.head_loss_psi_at_smoc for m in meters])
    with np.errstate(divide="ignore", invalid="ignore"):
        head = smoc * np.sqrt(np.maximum(spare_head_psi, 0.0)[:, None] / loss_psi[None, :])
    return FlowLimits(
        peak_gpm=smoc * (1 - smoc_margin_share),
        sustained_gpm=continuous * (1 - continuous_margin_share),
        head_gpm=np.where(loss_psi[None, :] > 0, head, np.inf),
    )


def head_loss_psi(flow_gpm: Array, *, smoc_gpm: Array, head_loss_psi_at_smoc: Array) -> Array:
    """Head loss at `flow_gpm`, by the square law from the rated point [psi]."""
    result: Array = head_loss_psi_at_smoc * (flow_gpm / smoc_gpm) ** 2
    return result
