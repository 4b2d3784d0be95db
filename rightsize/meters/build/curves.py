"""Generic registration curves of new meters, from ratings by stated rules."""

from __future__ import annotations

from typing import Annotated, Final

from pydantic import Field

from rightsize.meter_types import MeterType
from rightsize.meters.catalogue import Limits, Points
from rightsize.settings import Settings

Place = Annotated[float, Field(ge=0, le=1)]

FLAT_FROM_NORMAL_MIN: Final = 3.0
"""From this multiple of the normal minimum the curve runs flat (stated rule)."""


class CurveRule(Settings):
    """Position of a type's curve in its accuracy limits; see `config/meters/curves.yaml`."""

    start_share: float = Field(gt=0, lt=1)
    start_ratio: float = Field(ge=0, le=1.1)
    min_test_place: Place
    normal_min_place: Place


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

    The curve begins at the starting flow, passes the permitted bands at the minimum test
    flow and at the normal minimum where the rule says, and runs in the middle of the normal
    band from three times the normal minimum to SMOC.
    """
    middle = _within(normal_limits, 0.5)
    flat = min(FLAT_FROM_NORMAL_MIN * normal_min_gpm, (normal_min_gpm * smoc_gpm) ** 0.5)
    return (
        (starting_gpm, rule.start_ratio),
        (min_test_gpm, _within(low_limits, rule.min_test_place)),
        (normal_min_gpm, _within(normal_limits, rule.normal_min_place)),
        (flat, middle),
        (smoc_gpm, middle),
    )


def _within(limits: Limits, place: float) -> float:
    low, high = limits
    return round(low + place * (high - low), 6)
