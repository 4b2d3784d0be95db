"""The meters a utility has or can buy: ratings, accuracy curve, price."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal

from rightsize.errors import CatalogueError
from rightsize.meter_types import MeterType
from rightsize.units import UnitSystem
from rightsize.units.column_units import nominal_mm

Points = tuple[tuple[float, float], ...]
Limits = tuple[float, float]
EndConnection = Literal["threaded", "flanged"]
MeterStatus = Literal["rated", "unrated", "unknown"]

STANDARD_GRADE: Final = "standard"
_SAME_SIZE_IN: Final = 1e-6
_FRACTIONS: Final = {0.5: "1/2", 0.625: "5/8", 0.75: "3/4", 1.5: "1 1/2", 2.5: "2 1/2"}


@dataclass(frozen=True)
class CompoundParts:
    """The two elements of a compound meter and their changeover.

    Below `changeover_falling_gpm` all water passes the low element, above
    `changeover_rising_gpm` the valve is open. Between them the state depends on where the
    flow came from. With the valve open the low element still carries the larger of the
    falling changeover flow and `low_share` of the flow.
    """

    low: Points
    low_starting_gpm: float
    high: Points
    high_starting_gpm: float
    changeover_falling_gpm: float
    changeover_rising_gpm: float
    low_share: float


@dataclass(frozen=True)
class Meter:
    """One type and size of meter.

    `registration` holds points (flow [gpm], registered / actual volume [1]), linear in log
    flow between points, 0 below `starting_gpm`, held flat above the last point. It is the
    curve of a new meter; `low_limits` and `normal_limits` are the permissible ratios at the
    minimum test flow and within the normal range. `notes` says in words what is unusual about
    the meter without being wrong.
    """

    meter_type: MeterType
    size_in: float
    starting_gpm: float
    min_test_gpm: float
    normal_min_gpm: float
    continuous_gpm: float
    smoc_gpm: float
    registration: Points
    head_loss_psi_at_smoc: float
    price_usd: float
    install_usd: float
    upkeep_usd_per_year: float
    life_years: float
    source: str
    grade: str = STANDARD_GRADE
    standard: str = ""
    confidence: str = ""
    low_limits: Limits = (0.95, 1.01)
    normal_limits: Limits = (0.985, 1.015)
    compound: CompoundParts | None = None
    notes: tuple[str, ...] = ()
    is_lead_free: bool = False
    lay_length_in: float | None = None  # None: by type and size, see `laying`
    end_connection: EndConnection | None = None
    needs_power: bool = False  # from the mains; a battery is no matter of the site
    register_usd: float = 0.0  # register and endpoint
    electronics_usd: float = 0.0  # battery or electronics, each time
    electronics_years: float = 0.0  # between such replacements; 0 for none
    failure_pct_per_year: float = 0.0
    warranty_years: float = 0.0  # in which a failed meter is free

    @property
    def purchase_usd(self) -> float:
        """Meter, register and endpoint."""
        return self.price_usd + self.register_usd

    @property
    def label(self) -> str:
        """Size and type in trade terms: `2 in compound`."""
        return label_of(self.meter_type, self.size_in, self.grade, units="us")

    @property
    def flow_range_ratio(self) -> float:
        """Turndown: highest over lowest flow measured within limits [1]."""
        return self.smoc_gpm / self.min_test_gpm


@dataclass(frozen=True)
class UnratedMeter:
    """A known meter without shipped ratings.

    Accounts on such a meter are recognized and not assessed, with `why` as the reason.
    """

    meter_type: MeterType
    size_in: float
    standard: str
    why: str
    grade: str = STANDARD_GRADE

    @property
    def label(self) -> str:
        """Size and type in trade terms."""
        return label_of(self.meter_type, self.size_in, self.grade, units="us")


@dataclass(frozen=True)
class Catalogue:
    """The meters of a utility, in order of type and size, the standard grade first.

    `unrated` holds meters known by type and size only: fire-service assemblies, and sizes
    whose standard could not be read. They are never candidates.
    """

    meters: tuple[Meter, ...]
    unrated: tuple[UnratedMeter, ...] = ()

    def find(self, meter_type: str, size_in: float, *, grade: str | None = None) -> Meter:
        """The entry of this type and size (and grade, when more than one is held).

        Raises
        ------
        CatalogueError
            If there is none; the text names the sizes that the type has, or what the
            utility must fill in where the meter is known but unrated.
        """
        row = self.row_of(meter_type, size_in, grade=grade)
        if row is None:
            raise CatalogueError(
                self.why_not_rated(meter_type, size_in, grade=grade, units="us")
            )
        return self.meters[row]

    def row_of(
        self, meter_type: str, size_in: float, *, grade: str | None = None
    ) -> int | None:
        """Row of the entry in `meters`, or None; without a grade the first of its size."""
        rows = range(len(self.meters))
        return next(
            (r for r in rows if _is_same(self.meters[r], meter_type, size_in, grade)), None
        )

    def why_not_rated(
        self,
        meter_type: str,
        size_in: float,
        *,
        grade: str | None = None,
        units: UnitSystem,
    ) -> str:
        """Why a meter cannot be assessed: not rated, or type, size or grade not in the
        catalog.
        """
        for known in self.unrated:
            if _is_same(known, meter_type, size_in, grade):
                label = label_of(known.meter_type, known.size_in, known.grade, units=units)
                return f"{label} is known but not rated: {known.why}"
        return self._absent(meter_type, size_in, grade, units)

    def status(
        self, meter_type: str, size_in: float, *, grade: str | None = None
    ) -> MeterStatus:
        """Whether the meter is `rated`, known but `unrated`, or `unknown`."""
        if any(_is_same(m, meter_type, size_in, grade) for m in self.meters):
            return "rated"
        if any(_is_same(m, meter_type, size_in, grade) for m in self.unrated):
            return "unrated"
        return "unknown"

    def _absent(
        self, meter_type: str, size_in: float, grade: str | None, units: UnitSystem
    ) -> str:
        held = {m.meter_type for m in self.meters} | {m.meter_type for m in self.unrated}
        if meter_type not in held:
            return (
                f"meter type {meter_type!r} is not in the catalog; "
                f"it has: {', '.join(sorted(held))}"
            )
        every: Iterable[Meter | UnratedMeter] = (*self.meters, *self.unrated)
        same = [m for m in every if m.meter_type == meter_type]
        grades = [m.grade for m in same if abs(m.size_in - size_in) < _SAME_SIZE_IN]
        if grades:
            label = label_of(meter_type, size_in, units=units)
            return (
                f"grade {grade!r} of the {label} is not in the "
                f"catalog; grades: {', '.join(sorted(set(grades)))}"
            )
        sizes = sorted({m.size_in for m in same})
        return (
            f"{label_of(meter_type, size_in, units=units)} is not in the catalog; "
            f"{meter_type} sizes: {', '.join(_size_figure(s, units) for s in sizes)}"
        )


def size_words(size_in: float) -> str:
    """A nominal size in trade terms: `5/8`, `1 1/2`."""
    return _FRACTIONS.get(round(size_in, 4), f"{size_in:g}")


def _size_figure(size_in: float, units: UnitSystem) -> str:
    return f"{size_in if units == 'us' else nominal_mm(size_in):g}"


def label_of(
    meter_type: str,
    size_in: float,
    grade: str = STANDARD_GRADE,
    *,
    units: UnitSystem,
) -> str:
    """Size, type and grade: `5/8 in multi jet`, `50 mm compound (high performance)`."""
    words = meter_type.replace("_", " ")
    extra = "" if grade == STANDARD_GRADE else f" ({grade.replace('_', ' ')})"
    return f"{size_label(size_in, units=units)} {words}{extra}"


def size_label(size_in: float, *, units: UnitSystem) -> str:
    """A nominal size with its unit: `5/8 in`, `50 mm`."""
    return f"{size_words(size_in)} in" if units == "us" else f"{nominal_mm(size_in):g} mm"


def _is_same(
    meter: Meter | UnratedMeter, meter_type: str, size_in: float, grade: str | None
) -> bool:
    return (
        meter.meter_type == meter_type
        and abs(meter.size_in - size_in) < _SAME_SIZE_IN
        and grade in (None, meter.grade)
    )
