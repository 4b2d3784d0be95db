"""The types of meter that the tool knows, by the words of the catalog and the results."""

from __future__ import annotations

from typing import Final, Literal, get_args

MeterType = Literal[
    "displacement",
    "turbine",
    "compound",
    "single_jet",
    "multi_jet",
    "propeller",
    "electromagnetic",
    "ultrasonic",
    "fire_service",
]
METER_TYPES: Final[tuple[str, ...]] = get_args(MeterType)
