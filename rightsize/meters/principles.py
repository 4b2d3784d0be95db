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
    loss_power: float
    """Power of flow with which registration is lost below the minimum test flow, new or worn:
    1 a constant slip (or zero error), 2 a constant friction on a rotor. See
    `config/meters/curves.yaml`."""


PRINCIPLES: Final[dict[str, Principle]] = {
    "displacement": Principle(
        "positive displacement: a disc or piston measures out chambers of water",
        True,
        "test and replace the chamber; grit wears it",
        "low and varying flow on small services",
        1,
    ),
    "multi_jet": Principle(
        "velocity: several jets turn a rotor",
        True,
        "test and replace the rotor; tolerates some grit",
        "small services, including water with some grit",
        2,
    ),
    "single_jet": Principle(
        "velocity: one jet turns a rotor",
        True,
        "test and replace the rotor",
        "small to medium services with moderate low flow",
        2,
    ),
    "turbine": Principle(
        "velocity: a rotor in the line",
        True,
        "strainer, straight run, test and replace the rotor",
        "steady high flow; poor at low flow",
        2,
    ),
    "compound": Principle(
        "displacement element for low flow, turbine for high flow, changeover valve between",
        True,
        "both elements and the changeover valve: more than a single-element meter",
        "long periods of low flow with occasional high flow",
        1,
    ),
    "propeller": Principle(
        "velocity: a propeller in the line",
        True,
        "bearing, straight run",
        "irrigation and wells: steady high flow, water with debris",
        2,
    ),
    "electromagnetic": Principle(
        "solid-state: voltage induced by water moving through a magnetic field",
        False,
        "no moving parts; check power or battery, verify the electronics",
        "wide flow range, dirty water, little pressure to spare",
        1,
    ),
    "ultrasonic": Principle(
        "solid-state: transit time of sound with and against the flow",
        False,
        "no moving parts; check battery, verify the electronics",
        "wide flow range with long periods of low flow",
        1,
    ),
    "fire_service": Principle(
        "listed assembly: full-bore meter for fire flow, often with a small bypass meter",
        True,
        "per its listing and the authority having jurisdiction",
        "fire lines only; never resized from consumption alone",
        2,
    ),
}


def principle_of(meter_type: str) -> Principle:
    """The principle of a meter type."""
    return PRINCIPLES[meter_type]
