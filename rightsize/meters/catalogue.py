"""The meters a utility has or can buy: ratings, registration curve, price."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, get_args

from rightsize.errors import CatalogueError

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


@dataclass(frozen=True)
class Meter:
    """One type and size of meter.

    `registration` holds points (flow [gpm], registered / actual volume [1]), linear in log
    flow between points, 0 below `starting_gpm`, held flat above the last point.
    """

    meter_type: MeterType
    size_in: float
    starting_gpm: float
    min_test_gpm: float
    normal_min_gpm: float
    continuous_gpm: float
    smoc_gpm: float
    registration: tuple[tuple[float, float], ...]
    head_loss_psi_at_smoc: float
    price_usd: float
    install_usd: float
    upkeep_usd_per_year: float
    life_years: float
    source: str
    grade: str = "standard"

    @property
    def label(self) -> str:
        """Size and type as the trade says it: `2 in compound`."""
        words = self.meter_type.replace("_", " ")
        grade = "" if self.grade == "standard" else f" ({self.grade.replace('_', ' ')})"
        return f"{self.size_in:g} in {words}{grade}"


@dataclass(frozen=True)
class Catalogue:
    """The meters of a utility, in order of type and size."""

    meters: tuple[Meter, ...]

    def find(self, meter_type: str, size_in: float, *, grade: str | None = None) -> Meter:
        """The entry of this type and size (and grade, when more than one is held).

        Raises
        ------
        CatalogueError
            If there is none; the text names the sizes that the type has.
        """
        of_type = [m for m in self.meters if m.meter_type == meter_type]
        for meter in of_type:
            if abs(meter.size_in - size_in) < 1e-6 and grade in (None, meter.grade):
                return meter
        if not of_type:
            held = ", ".join(sorted({m.meter_type for m in self.meters}))
            raise CatalogueError(
                f"meter type {meter_type!r} is not in the catalogue; it holds: {held}"
            )
        sizes = ", ".join(f"{s:g}" for s in sorted({m.size_in for m in of_type}))
        raise CatalogueError(
            f"meter size {size_in:g} in is not in the catalogue; {meter_type} sizes: {sizes}"
        )
