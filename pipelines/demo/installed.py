"""Which meter the utility once installed: well chosen, too large, too small, wrong type."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from pipelines.demo.fleet import Plan
from rightsize.meters.catalogue import Catalogue, Meter

ROOM_SHARE: Final = 1.08  # a careful engineer leaves this much above the peak
STEADY_KINDS: Final = ("irrigation", "process", "laundry")


@dataclass(frozen=True)
class Need:
    """What a meter at the site must carry."""

    peak_10s_gpm: float
    sustained_60min_gpm: float

    def is_met_by(self, meter: Meter, *, room: float = 1.0) -> bool:
        """Whether the meter carries peak and sustained flow."""
        return (
            meter.smoc_gpm >= room * self.peak_10s_gpm
            and meter.continuous_gpm >= room * self.sustained_60min_gpm
        )


def installed_meter(
    plan: Plan, need: Need, catalogue: Catalogue, rng: np.random.Generator
) -> Meter:
    """The meter at the site, as the plan's intent would have it."""
    if plan.kind in ("fire", "combined"):
        lines = [
            m for m in _of_type(catalogue, "fire_service") if need.is_met_by(m, room=ROOM_SHARE)
        ]
        return lines[min(int(rng.integers(3)), len(lines) - 1)]
    ladder = _ladder(catalogue, "turbine" if plan.kind in STEADY_KINDS else "compound")
    fit = next(
        (k for k, m in enumerate(ladder) if need.is_met_by(m, room=ROOM_SHARE)), len(ladder) - 1
    )
    if plan.trouble == "hidden_leak":
        return _turbine_near(catalogue, ladder[min(fit + 2, len(ladder) - 1)].size_in)
    if plan.intent == "oversized":
        return ladder[
            min(fit + int(rng.choice([1, 2, 3], p=[0.3, 0.45, 0.25])), len(ladder) - 1)
        ]
    if plan.intent == "undersized":
        small = [m for m in ladder[: fit + 1] if not need.is_met_by(m, room=0.92)]
        return small[-1] if small else ladder[fit]
    if plan.intent == "wrong_type":
        return _wrong_type(plan, catalogue, ladder[fit].size_in)
    return ladder[fit]


def _ladder(catalogue: Catalogue, large_type: str) -> list[Meter]:
    """Displacement meters, then a type for large lines: what utilities have bought by habit."""
    small = _of_type(catalogue, "displacement")
    largest_in = max((m.size_in for m in small), default=0.0)
    return small + [m for m in _of_type(catalogue, large_type) if m.size_in > largest_in]


def _of_type(catalogue: Catalogue, meter_type: str) -> list[Meter]:
    """The standard entries of a type by size; displacement up to 2 in as made today."""
    meters = [
        m for m in catalogue.meters if m.meter_type == meter_type and m.grade == "standard"
    ]
    meters = [m for m in meters if meter_type != "displacement" or 0.6 < m.size_in <= 2]
    return sorted(meters, key=lambda m: m.size_in)


def _turbine_near(catalogue: Catalogue, size_in: float) -> Meter:
    turbines = _of_type(catalogue, "turbine")
    return next((m for m in turbines if m.size_in >= size_in), turbines[-1])


def _wrong_type(plan: Plan, catalogue: Catalogue, size_in: float) -> Meter:
    if plan.kind in STEADY_KINDS:
        compounds = _of_type(catalogue, "compound")
        return next((m for m in compounds if m.size_in >= size_in), compounds[-1])
    return _turbine_near(catalogue, size_in)
