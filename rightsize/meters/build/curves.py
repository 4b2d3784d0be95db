"""Generic registration curves of new meters, from ratings by stated rules."""

from __future__ import annotations

from typing import Annotated, Final

import numpy as np
from pydantic import Field

from rightsize.meter_types import MeterType
from rightsize.meters.catalogue import Limits, Points
from rightsize.settings import Settings

Place = Annotated[float, Field(ge=0, le=1)]

FLAT_FROM_NORMAL_MIN: Final = 3.0
"""From this multiple of the normal minimum the law is as good as flat; the curve ends in the
middle of its band."""
_LAW_POINTS: Final = (
    7  # between the stop band and the minimum test flow: within 0.2 % of the law
)


class CurveRule(Settings):
    """A type's law of registration at low flow; see `config/meters/curves.yaml`."""

    loss_power: float = Field(ge=1, le=2)
    start_share: float = Field(gt=0, le=1)
    start_ratio: float = Field(ge=0, le=1.1)
    stop_band: float = Field(ge=1, le=2)
    min_test_place: Place


class CurveRules(Settings):
    """One rule per meter type."""

    displacement: CurveRule
    multi_jet: CurveRule
    single_jet: CurveRule
    turbine: CurveRule
    compound: CurveRule
    propeller: CurveRule
    electromagnetic: CurveRule
    ultrasonic: CurveRule
    fire_service: CurveRule

    def of(self, meter_type: MeterType) -> CurveRule:
        """The rule of a type."""
        rule: CurveRule = getattr(self, meter_type)
        return rule


def new_curve(
    rule: CurveRule,
    *,
    starting_gpm: float,
    min_test_gpm: float,
    normal_min_gpm: float,
    smoc_gpm: float,
    low_limits: Limits,
    normal_limits: Limits,
) -> Points:
    """Points (flow [gpm], ratio [1]) of a new meter of one element.

    Notes
    -----
    The middle of the normal band less a loss that goes with `loss_power` of minimum test flow
    over flow, from the end of the stop band up; between the starting flow and there friction
    stops one meter of the type after the other. At and above the normal minimum the curve
    keeps its limits (a law that would not is held at the lower one).
    """
    middle = _within(normal_limits, 0.5)
    loss = middle - _within(low_limits, rule.min_test_place)
    flat = min(FLAT_FROM_NORMAL_MIN * normal_min_gpm, (normal_min_gpm * smoc_gpm) ** 0.5)
    above = min(rule.stop_band * starting_gpm, min_test_gpm)
    low = np.geomspace(above, min_test_gpm, _LAW_POINTS)[1:-1]
    rest = np.geomspace(min_test_gpm, normal_min_gpm, 4)[1:-1]
    flows = {above, min_test_gpm, *rest, normal_min_gpm, flat}
    flows |= set(low) if above < min_test_gpm else set()
    points = [(starting_gpm, rule.start_ratio)] if starting_gpm < above else []
    for flow in sorted(flows):
        ratio = middle - loss * (min_test_gpm / flow) ** rule.loss_power
        floor = normal_limits[0] if flow >= normal_min_gpm else 0.0
        points.append((float(flow), round(float(max(ratio, floor)), 6)))
    return (*points, (smoc_gpm, middle))


def _within(limits: Limits, place: float) -> float:
    low, high = limits
    return round(low + place * (high - low), 6)
