"""Money of steady flow that no read shows: its part of a gain, and what repair takes away.

Notes
-----
Steady flow is what runs below the installed meter's starting flow while nothing else does: no
read shows it, and nothing tells a leak from a trickle of use. The gain of a meter counts as
steady flow up to the bill of all of it; what is above that is use.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rightsize.inference.posterior import FlowPosterior
from rightsize.recommend.economics import RateSteps
from rightsize.recommend.leak_persistence import LeakCourse

Floats = NDArray[np.floating[Any]]
Index = NDArray[np.int64]


@dataclass(frozen=True)
class SteadyMoney:
    """Steady flow of a chunk of A accounts in J samples, over L lives of meters."""

    most_usd: Floats  # [J, A] a year's bill of all of it
    lost_share: Floats | None  # [J, A, L] of its money over the life; None: nothing is lost
    life_of: Index  # [M]
    saved_share: Floats | float = 0.0  # [J, A] worth of the water saved, over its bill
    course: LeakCourse | None = None

    def part_usd(self, gain_usd: Floats) -> Floats:
        """Part of a gain [J, A, ...] that is steady flow, before any repair."""
        spread = (...,) + (None,) * (gain_usd.ndim - 2)
        return np.clip(gain_usd, 0, self.most_usd[spread])

    def lost_usd(self, gain_usd: Floats) -> Floats:
        """What repair takes from a gain, level over the life of each meter [J, A, M].

        Less than nothing where the water saved is worth more than its bill.
        """
        if self.lost_share is None:
            return gain_usd * 0
        result: Floats = self.part_usd(gain_usd) * self._by_meter(self.lost_share)
        return result

    def lost_at(self, gain_usd: Floats, meter: Index) -> Floats:
        """The same for one meter at each account: gain [J, A], meter [A]."""
        if self.lost_share is None:
            return gain_usd * 0
        at = np.arange(len(meter))
        result: Floats = self.part_usd(gain_usd) * self.lost_share[:, at, self.life_of[meter]]
        return result

    def expected(self) -> SteadyMoney:
        """The same with the repair that is expected: what no log of flows can foretell."""
        if self.lost_share is None:
            return self
        mean = self.lost_share.mean(axis=0, keepdims=True)
        return SteadyMoney(self.most_usd, mean, self.life_of)

    def _by_meter(self, share: Floats) -> Floats:
        return share if share.shape[2] == 1 else share[:, :, self.life_of]


def steady_money(
    posterior: FlowPosterior,
    rows: slice,
    rates: RateSteps,
    course: LeakCourse | None,
    life_of: Index,
) -> SteadyMoney:
    """Money of the steady flow of the accounts in `rows`; `rates` are those of the chunk."""
    installed = posterior.installed_gal_per_year[:, rows]
    steady = posterior.steady_unseen_gal_per_year
    unseen = (posterior.unseen_gal_per_year if steady is None else steady)[:, rows]
    most = rates.bill_usd_per_year(installed + unseen) - rates.bill_usd_per_year(installed)
    kind = np.float32
    if course is None:
        return SteadyMoney(most.astype(kind), None, life_of)
    saved = course.avoided_usd_per_gal * unseen / np.maximum(most, 1e-9)
    lost = course.unpaid_share[:, None] - saved[:, :, None] * course.repaired_share[:, None]
    return SteadyMoney(most.astype(kind), lost.astype(kind), life_of, saved, course)
