"""How each type of meter measures, what it needs, and the duty it suits (common practice)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True)
class Principle:
    """What a practitioner knows of a type before looking at any number."""

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
        "positive displacement: a disc or piston counts chambers of water",
        True,
        "test and renew the chamber; grit wears it",
        "low and changing flow on small services",
        1,
    ),
    "multi_jet": Principle(
        "velocity: several jets turn a rotor",
        True,
        "test and renew the rotor; tolerates some grit",
        "small services, also with some grit in the water",
        2,
    ),
    "single_jet": Principle(
        "velocity: one jet turns a rotor",
        True,
        "test and renew the rotor",
        "small to medium services with moderate low flow",
        2,
    ),
    "turbine": Principle(
        "velocity: a rotor in the line",
        True,
        "strainer, straight pipe, test and renew the rotor",
        "steady high flow; poor where low flow matters",
        2,
    ),
    "compound": Principle(
        "a displacement element for low flow and a turbine for high flow behind a valve",
        True,
        "both elements and the changeover valve: more than either element alone",
        "flow that is low for long and high at times",
        1,
    ),
    "propeller": Principle(
        "velocity: a propeller in the line",
        True,
        "bearing and straight pipe",
        "irrigation and wells: steady high flow, coarse water",
        2,
    ),
    "electromagnetic": Principle(
        "static: voltage induced by water moving through a magnetic field",
        False,
        "no moving part; power or battery, verify the electronics",
        "wide range, dirty water, little head to lose",
        1,
    ),
    "ultrasonic": Principle(
        "static: travel time of sound along and against the flow",
        False,
        "no moving part; battery, verify the electronics",
        "wide range with long low flow",
        1,
    ),
    "fire_service": Principle(
        "a listed assembly: full-bore meter for fire flow, often with a small bypass meter",
        True,
        "as its listing and the authority having jurisdiction say",
        "fire lines only; never resized from use alone",
        2,
    ),
}


def principle_of(meter_type: str) -> Principle:
    """The principle of a type of meter."""
    return PRINCIPLES[meter_type]
