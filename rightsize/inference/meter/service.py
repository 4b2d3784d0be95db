"""The largest flow that pressure pushes through a service line and the meter behind it.

No sample of a peak may exceed what physics lets through: the meter loses head by the square law
from its rated point, the line by Hazen and Williams, and both together no more than the main
has to spare when a customer opens everything.

References
----------
Hazen and Williams (1905), in US units `psi / ft = 4.52 Q**1.852 / (C**1.852 d**4.8704)`, Q in
gpm and d in inches (from memory, high trust; checked against a worked value in the tests).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from rightsize.inference.water_use.priors import Z90, ServicePrior
from rightsize.meters.arrays import meter_arrays
from rightsize.meters.catalogue import Meter

Array = NDArray[np.floating[Any]]

_HAZEN_WILLIAMS: Final = 4.52  # [psi/ft] in gpm and inches: Hazen and Williams 1905
_FLOW_POWER: Final = 1.852  # [1] the same
_DIAMETER_POWER: Final = 4.8704  # [1] the same
_ROUNDS: Final = 12  # [1] convention: the fixed point halves its error each round
_RECORDED_FACTOR: Final = 1.15  # [1] 9 of 10 recorded heads are right within it: convention


@dataclass(frozen=True)
class ServiceRecord:
    """What a utility's list says of A services; NaN where it says nothing."""

    line_in: Array  # [A]
    spare_head_psi: Array  # [A] head that the meter may lose with fixtures still served
    meter_age_years: Array  # [A] of the installed meter

    def rows(self, rows: slice) -> ServiceRecord:
        """Those of some accounts."""
        return ServiceRecord(
            self.line_in[rows], self.spare_head_psi[rows], self.meter_age_years[rows]
        )


def line_loss_psi(
    flow_gpm: Array, line_in: Array, length_ft: Array, *, smoothness: float
) -> Array:
    """Head lost in a line of so many feet at each flow [psi], by Hazen and Williams."""
    pipe = smoothness**_FLOW_POWER * line_in**_DIAMETER_POWER
    return np.asarray(_HAZEN_WILLIAMS * length_ft * flow_gpm**_FLOW_POWER / pipe)


def largest_flow_gpm(
    meters: Sequence[Meter],
    record: ServiceRecord,
    prior: ServicePrior,
    rank_pressure: Array,
    rank_line: Array,
) -> Array:
    """Largest flow through each service and its meter [gpm, J x A].

    Parameters
    ----------
    meters : sequence of Meter
        The installed meters, A long.
    record : ServiceRecord
        What is known of each service.
    prior : ServicePrior
        What stands in for what is not known.
    rank_pressure, rank_line : arrays [J, A]
        Where in their laws the pressure and the line's length lie, as uniform numbers.

    Notes
    -----
    A recorded spare head leaves the fixtures their pressure; with everything open it goes too.
    A line whose size is not known is taken as large as its meter.
    """
    known = np.isfinite(record.spare_head_psi)
    middle = np.where(known, record.spare_head_psi + prior.residual_psi, prior.available_psi)
    factor = np.where(known, _RECORDED_FACTOR, prior.available_factor)
    available = middle * np.exp(ndtri(rank_pressure) / Z90 * np.log(factor))
    length = prior.line_length_ft * np.exp(
        ndtri(rank_line) / Z90 * np.log(prior.line_length_factor)
    )
    size = np.array([m.size_in for m in meters])
    line = np.maximum(
        np.where(np.isfinite(record.line_in), record.line_in, size), prior.least_line_in
    )
    loss = np.array([m.head_loss_psi_at_smoc for m in meters])
    smoc = meter_arrays(tuple(meters)).smoc_gpm
    flow = np.sqrt(available / loss) * smoc
    for _ in range(_ROUNDS):
        lost = loss * (flow / smoc) ** 2
        lost = lost + line_loss_psi(flow, line, length, smoothness=prior.smoothness)
        flow = flow * np.sqrt(available / lost)
    return np.asarray(flow)
