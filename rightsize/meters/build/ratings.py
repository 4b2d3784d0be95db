"""Ratings of meters by standard: permitted values, flows and sources."""

from __future__ import annotations

from typing import Annotated, Final, Literal

from pydantic import Field

from rightsize.meter_types import MeterType
from rightsize.meters.catalogue import STANDARD_GRADE, UnratedMeter
from rightsize.settings import Settings

Confidence = Literal["READ", "READ+", "MEM-H", "MEM-M", "MEM-L", "none"]
Ratio = Annotated[float, Field(ge=0, le=1.1)]
Flow = Annotated[float, Field(gt=0)]

CONFIDENCE_WORDS: Final[dict[str, str]] = {
    "READ": "read",
    "READ+": "from memory, confirmed by a text that was read",
    "MEM-H": "from memory, high trust",
    "MEM-M": "from memory, medium trust",
    "MEM-L": "from memory, low trust: not shipped",
    "none": "common practice, no source",
}

TRADE_SIZES_IN: Final[dict[str, tuple[float, ...]]] = {
    "displacement": (0.5, 0.625, 0.75, 1, 1.5, 2),
    "multi_jet": (0.5, 0.625, 0.75, 1, 1.5, 2),
    "single_jet": (0.5, 0.625, 0.75, 1, 1.5, 2, 3, 4, 6),
    "turbine": (0.75, 1, 1.5, 2, 3, 4, 6, 8, 10, 12, 16, 20),
    "compound": (2, 3, 4, 6, 8),
    "propeller": (2, 3, 4, 6, 8, 10, 12, 14, 16, 18, 20, 24, 30, 36),
    "electromagnetic": (0.5, 0.625, 0.75, 1, 1.5, 2, 3, 4, 6, 8, 10, 12, 14, 16, 18, 20, 24),
    "ultrasonic": (0.5, 0.625, 0.75, 1, 1.5, 2, 3, 4, 6, 8, 10, 12, 14, 16, 18, 20, 24),
    "fire_service": (3, 4, 6, 8, 10, 12),
}
"""Sizes that the trade makes of each type (common practice; displacement above 2 in was made
under older editions of C700, compounds are made in 2, 3, 4, 6 and 8 in)."""


class Bands(Settings):
    """Accuracy limits of a new meter; `changeover` is a compound's minimum at changeover."""

    min_test: tuple[Ratio, Ratio]
    normal: tuple[Ratio, Ratio]
    changeover: Ratio | None = None


class Rating(Settings):
    """One size of a standard's table; values not read are absent."""

    size_in: Annotated[float, Field(gt=0)]
    min_test_gpm: Flow | None = None
    normal_min_gpm: Flow | None = None
    continuous_gpm: Flow | None = None
    smoc_gpm: Flow | None = None
    head_loss_psi_at_smoc: Flow | None = None
    low_element_size_in: Flow | None = None
    confidence: Confidence
    is_current: bool = True
    note: str = ""

    @property
    def is_usable(self) -> bool:
        """Whether the numbers can be used: not if from memory with low trust."""
        return self.confidence != "MEM-L"


class RatingTable(Settings):
    """One table of one standard."""

    meter_type: MeterType
    grade: str = STANDARD_GRADE
    standard: str
    source: str
    limits: Bands | None = None
    sizes: tuple[Rating, ...]

    def unrated(self) -> tuple[UnratedMeter, ...]:
        """Sizes whose numbers the utility must fill in."""
        return tuple(
            UnratedMeter(self.meter_type, r.size_in, self.standard, self._why(), self.grade)
            for r in self.sizes
            if not r.is_usable
        )

    def _why(self) -> str:
        if self.meter_type == "fire_service":
            return (
                "fire-service meters are never resized from consumption data: a change needs"
                " listed equipment and the agreement of the authority having jurisdiction"
            )
        return (
            f"its ratings in {self.standard} could not be confirmed and are not shipped; give "
            "starting_gpm, min_test_gpm, normal_min_gpm, continuous_gpm, smoc_gpm and "
            "head_loss_psi_at_smoc from the meter's certificate in your catalog"
        )


class Ratings(Settings):
    """All tables; found by type, size and grade."""

    tables: tuple[RatingTable, ...]

    def find(
        self, meter_type: str, size_in: float, grade: str = STANDARD_GRADE
    ) -> tuple[RatingTable, Rating] | None:
        """The usable row of this meter with its table, or None."""
        for table in self.tables:
            if (table.meter_type, table.grade) != (meter_type, grade):
                continue
            for row in table.sizes:
                if row.is_usable and abs(row.size_in - size_in) < 1e-6:
                    return table, row
        return None

    def unrated(self) -> tuple[UnratedMeter, ...]:
        """Every meter that is known by type and size only."""
        return tuple(meter for table in self.tables for meter in table.unrated())
