"""Measuring principle, maintenance and typical use of each meter type (common practice)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True)
class Principle:
    """General knowledge about a meter type, apart from its ratings."""

    measures: str
    has_moving_part: bool
    maintenance: str
    duty: str


PRINCIPLES: Final[dict[str, Principle]] = {
    "displacement": Principle(
        "positive displacement: a disc or piston measures out chambers of water",
        True,
        "test and replace the chamber; grit wears it",
        "low and varying flow on small services",
    ),
    "multi_jet": Principle(
        "velocity: several jets turn a rotor",
        True,
        "test and replace the rotor; tolerates some grit",
        "small services, including water with some grit",
    ),
    "single_jet": Principle(
        "velocity: one jet turns a rotor",
        True,
        "test and replace the rotor",
        "small to medium services with moderate low flow",
    ),
    "turbine": Principle(
        "velocity: a rotor in the line",
        True,
        "strainer, straight run, test and replace the rotor",
        "steady high flow; poor at low flow",
    ),
    "compound": Principle(
        "displacement element for low flow, turbine for high flow, changeover valve between",
        True,
        "both elements and the changeover valve: more than a single-element meter",
        "long periods of low flow with occasional high flow",
    ),
    "propeller": Principle(
        "velocity: a propeller in the line",
        True,
        "bearing, straight run",
        "irrigation and wells: steady high flow, water with debris",
    ),
    "electromagnetic": Principle(
        "solid-state: voltage induced by water moving through a magnetic field",
        False,
        "no moving parts; check power or battery, verify the electronics",
        "wide flow range, dirty water, little pressure to spare",
    ),
    "ultrasonic": Principle(
        "solid-state: transit time of sound with and against the flow",
        False,
        "no moving parts; check battery, verify the electronics",
        "wide flow range with long periods of low flow",
    ),
    "fire_service": Principle(
        "listed assembly: full-bore meter for fire flow, often with a small bypass meter",
        True,
        "per its listing and the authority having jurisdiction",
        "fire lines only; never resized from consumption alone",
    ),
}


def principle_of(meter_type: str) -> Principle:
    """The principle of a meter type."""
    return PRINCIPLES[meter_type]
