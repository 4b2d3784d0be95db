"""Meters side by side on one line, judged together on their summed flow.

Notes
-----
Flow does not divide over meters side by side by their capacities alone: pipes and losses
differ. So together they are taken to carry a stated share of the sum of their capacities (a
setting, common practice). How many of the meters would carry the flow is told as evidence only:
whether one may be taken out of service is for engineering review.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from rightsize.findings import Finding
from rightsize.units import UnitSystem
from rightsize.wording import Wording

Array = NDArray[np.float64]

SUSTAINED_EXCEEDED: Final = (
    0.005  # [1] of the time, by a 60-min mean: convention of the profile
)
FEWEST_HOURS: Final = 720  # [h] in which all report: a month (our convention)
_HOUR_MIN: Final = 60.0


@dataclass(frozen=True)
class Manifold:
    """A group of meters of one account that are on record as side by side."""

    name: str
    account_id: str
    meter_id: tuple[str, ...]
    smoc_gpm: tuple[float, ...]
    continuous_gpm: tuple[float, ...]


@dataclass(frozen=True)
class ManifoldLoad:
    """Summed flow of a group against its capacity."""

    hour_count: int  # full hours in which all report
    interval_min: float  # of the shortest reads in which all report
    largest_gpm: float  # mean over one such read
    sustained_gpm: float  # 60-min mean exceeded 0.5 % of the time
    smoc_gpm: float  # stated share of the sum
    continuous_gpm: float
    needed_count: int  # of the meters, the largest first, to carry it; 0 if all are too few

    @property
    def is_over(self) -> bool:
        """Whether the summed flow exceeds what the meters carry together."""
        return self.largest_gpm > self.smoc_gpm or self.sustained_gpm > self.continuous_gpm


def manifold_load(
    group: Manifold, flow: pl.DataFrame, *, capacity_share: float
) -> ManifoldLoad | None:
    """Load of a group; None if its meters hardly ever report together.

    Parameters
    ----------
    flow : frame
        interval_min, flow_gpm [gpm]: summed flow of times in which all report.
    capacity_share : float
        Share of the sum of capacities that meters side by side carry.
    """
    hours = flow.filter(pl.col("interval_min") == _HOUR_MIN)["flow_gpm"]
    if hours.len() < FEWEST_HOURS:
        return None
    shortest = float(flow["interval_min"].min())  # type: ignore[arg-type]
    largest = float(flow["flow_gpm"].max())  # type: ignore[arg-type]
    sustained = float(hours.quantile(1 - SUSTAINED_EXCEEDED, "higher") or 0.0)
    smoc, continuous = (
        capacity_share * np.cumsum(np.sort(np.array(values))[::-1])
        for values in (group.smoc_gpm, group.continuous_gpm)
    )
    carried = (smoc >= largest) & (continuous >= sustained)
    return ManifoldLoad(
        hour_count=hours.len(),
        interval_min=shortest,
        largest_gpm=largest,
        sustained_gpm=sustained,
        smoc_gpm=float(smoc[-1]),
        continuous_gpm=float(continuous[-1]),
        needed_count=int(carried.argmax()) + 1 if carried.any() else 0,
    )


def manifold_findings(
    groups: Sequence[Manifold], flow: pl.DataFrame, *, capacity_share: float, units: UnitSystem
) -> list[Finding]:
    """One finding for each group, told at each of its meters.

    Parameters
    ----------
    flow : frame
        account_id, group, interval_min, flow_gpm, see `manifold_load`.
    """
    found: list[Finding] = []
    for group in groups:
        here = (pl.col("account_id") == group.account_id) & (pl.col("group") == group.name)
        mine = flow.filter(here)
        load = manifold_load(group, mine, capacity_share=capacity_share)
        message = _message(group, load, capacity_share, Wording(units))
        evidence = {"manifold": group.name, "meter_count": len(group.meter_id)}
        evidence |= {} if load is None else vars(load)
        make = _overload if load is not None and load.is_over else _told
        found += [make(group.account_id, m, message, evidence) for m in group.meter_id]
    return found


def _overload(account: str, meter: str, message: str, evidence: dict[str, Any]) -> Finding:
    return Finding(account, meter, "manifold_overload", "warning", message, evidence)


def _told(account: str, meter: str, message: str, evidence: dict[str, Any]) -> Finding:
    return Finding(account, meter, "manifold", "info", message, evidence)


def _message(
    group: Manifold, load: ManifoldLoad | None, capacity_share: float, said: Wording
) -> str:
    count = len(group.meter_id)
    who = f"{count} meters side by side ({', '.join(group.meter_id)})"
    if load is None:
        return f"{who} hardly ever report together: their flow is not summed"
    largest, sustained, smoc, continuous = (
        said.flow_text(gpm)
        for gpm in (load.largest_gpm, load.sustained_gpm, load.smoc_gpm, load.continuous_gpm)
    )
    text = (
        f"{who}, {load.hour_count:,} hours in which all report: together at most {largest} over"
        f" {load.interval_min:g} min and {sustained} {said.flow_unit} sustained, against {smoc}"
        f" and {continuous}, {capacity_share:.0%} of the sum of their SMOC and continuous"
        " ratings"
    )
    if load.is_over:
        return f"{text}: too small together"
    if load.needed_count < count:
        return f"{text}: the {load.needed_count} largest would carry that"
    return text
