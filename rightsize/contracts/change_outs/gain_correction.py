"""What past change-outs teach about promised gains: factors by type, size and class."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, TypeVar

T = TypeVar("T")

Group = tuple[str | float, ...]
"""(), (type,), (type, size [in]) or (type, size, class) of the meter that was promised."""


def finest(known: Mapping[Group, T], group: Group) -> T | None:
    """What is known of a group, otherwise of the group above it; None if of none."""
    levels = (group[:depth] for depth in range(len(group), -1, -1))
    return next((known[level] for level in levels if level in known), None)


@dataclass(frozen=True)
class LearnedFactor:
    """Realized over promised gain of a group, shrunk, with its standard error."""

    group: Group
    factor: float
    error: float
    case_count: int


@dataclass(frozen=True)
class GainCorrection:
    """Factors that correct promised gains; none where there are too few cases to learn from."""

    case_count: int  # change-outs with a promise and a gain
    least_count: int  # fewer correct nothing
    factors: tuple[LearnedFactor, ...]

    @property
    def is_applied(self) -> bool:
        """Whether anything is corrected."""
        return bool(self.factors)

    @property
    def document(self) -> dict[str, Any]:
        """As it is kept with the sweep's settings."""
        return {"is_applied": self.is_applied, **asdict(self)}
