"""The installed meter: well chosen, too large, too small, or of the wrong type."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from pipelines.demo.fleet import Plan
from rightsize.meters.catalogue import STANDARD_GRADE, Catalogue, Meter

ROOM_SHARE: Final = 1.08  # a careful engineer leaves this much above the peak
# Fire-service assemblies: SMOC as in AWWA C703 from memory, low trust; the rest made up here.
# They only turn the simulated flow of a fire line into reads, and are never a candidate.
_LEAST_GPM_SMOC_GPM_BY_SIZE: Final = {3: (4, 350), 4: (10, 700), 6: (20, 1600), 8: (30, 2800)}
FIRE_LINES: Final = tuple(
    Meter(
        "fire_service",
        size_in,
        least / 3,
        least,
        2 * least,
        smoc / 2,
        smoc,
        ((least / 3, 0.4), (least, 0.95), (2 * least, 1.0)),
        10.0,
        0.0,
        0.0,
        0.0,
        20.0,
        "the demo's own",
    )
    for size_in, (least, smoc) in _LEAST_GPM_SMOC_GPM_BY_SIZE.items()
)
OVERSIZED_STEPS: Final = (0.2, 0.4, 0.4)  # odds of one, two, three sizes
CLOSED_SITE_GPM: Final = 35.0
STEADY_KINDS: Final = ("irrigation", "process", "laundry")


@dataclass(frozen=True)
class Need:
    """Flows that a meter at the site must handle."""

    peak_10s_gpm: float
    sustained_60min_gpm: float

    def is_met_by(self, meter: Meter, *, room: float = 1.0) -> bool:
        """Whether the meter handles peak and sustained flow."""
        return (
            meter.smoc_gpm >= room * self.peak_10s_gpm
            and meter.continuous_gpm >= room * self.sustained_60min_gpm
        )


def installed_meter(
    plan: Plan, need: Need, catalogue: Catalogue, rng: np.random.Generator
) -> Meter:
    """The meter at the site, as the plan's intent would have it."""
    if plan.kind == "combined":  # a rated meter, far too large for what it sees: a temptation
        return _next_of_type(catalogue, "compound", float(rng.choice([4, 6])))
    if plan.kind == "fire":
        lines = [m for m in FIRE_LINES if need.is_met_by(m, room=ROOM_SHARE)] or FIRE_LINES[-1:]
        return lines[min(int(rng.integers(3)), len(lines) - 1)]
    if need.peak_10s_gpm == 0:  # closed all through the span: sized for what it will draw
        need = Need(CLOSED_SITE_GPM, CLOSED_SITE_GPM)
    is_steady = plan.kind in STEADY_KINDS
    large_type = "turbine" if is_steady or rng.random() < 0.35 else "compound"
    ladder = _ladder(catalogue, large_type)
    top = len(ladder) - 1
    fit = next((k for k, m in enumerate(ladder) if need.is_met_by(m, room=ROOM_SHARE)), top)
    if plan.trouble == "hidden_leak":
        return _next_of_type(catalogue, "turbine", ladder[min(fit + 2, top)].size_in)
    if plan.intent == "oversized":
        return ladder[min(fit + int(rng.choice([1, 2, 3], p=OVERSIZED_STEPS)), top)]
    if plan.intent == "undersized":
        small = [m for m in ladder[: fit + 1] if not need.is_met_by(m, room=0.92)]
        return small[-1] if small else ladder[fit]
    if plan.intent == "wrong_type":
        other = "compound" if is_steady else "turbine"
        return _next_of_type(catalogue, other, ladder[fit].size_in)
    return ladder[fit]


def _ladder(catalogue: Catalogue, large_type: str) -> list[Meter]:
    """Displacement meters, then a type for large lines: what utilities have bought by habit."""
    small = meters_of_type(catalogue, "displacement")
    largest_in = max((m.size_in for m in small), default=0.0)
    return small + [m for m in meters_of_type(catalogue, large_type) if m.size_in > largest_in]


def meters_of_type(catalogue: Catalogue, meter_type: str) -> list[Meter]:
    """The standard entries of a type by size; displacement up to 2 in, as made today."""
    meters = [m for m in catalogue.meters if m.meter_type == meter_type]
    meters = [m for m in meters if m.grade == STANDARD_GRADE]
    meters = [m for m in meters if meter_type != "displacement" or 0.6 < m.size_in <= 2]
    return sorted(meters, key=lambda m: m.size_in)


def _next_of_type(catalogue: Catalogue, meter_type: str, size_in: float) -> Meter:
    """The smallest meter of the type that is no smaller than `size_in`, or its largest."""
    meters = meters_of_type(catalogue, meter_type)
    return next((m for m in meters if m.size_in >= size_in), meters[-1])
