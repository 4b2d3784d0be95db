"""One entry of a catalogue as people write it, and the meter that follows from it.

What an entry leaves out is filled in this order: from the metric rating (`q3_m3h`, `r`,
`accuracy_class`) if it gives one, from the standard's table of its type, size and grade, and
the curve from the type's rule. Prices and life are never filled in.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, Final

from pydantic import Field, model_validator

from rightsize.errors import CatalogueError
from rightsize.meters.catalogue import (
    STANDARD_GRADE,
    CompoundParts,
    Limits,
    Meter,
    MeterType,
    Points,
    label_of,
)
from rightsize.meters.compound import compound_points, generic_parts
from rightsize.meters.curves import CurveRules, new_curve
from rightsize.meters.entry_units import in_us_units
from rightsize.meters.metric import LOWER_ZONE_PCT, UPPER_ZONE_PCT, AccuracyClass, MetricRating
from rightsize.meters.ratings import CONFIDENCE_WORDS, Rating, Ratings, RatingTable
from rightsize.settings import Settings
from rightsize.units import GPM_PER_M3H, PSI_PER_BAR

Number = Annotated[float, Field(allow_inf_nan=False)]
Flow = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Money = Annotated[float, Field(ge=0, allow_inf_nan=False)]

_COMPOUND_ONLY: Final = (
    "changeover_falling_gpm", "changeover_rising_gpm", "low_element_size_in"
)  # fmt: skip
_RATED: Final = ("min_test_gpm", "normal_min_gpm", "continuous_gpm", "smoc_gpm")


class MeterEntry(Settings):
    """The keys an entry may have; flows may also be given as `..._m3h`, loss in bar."""

    meter_type: MeterType
    size_in: Flow
    grade: str = Field(STANDARD_GRADE, pattern=r"^[a-z][a-z0-9_]*$")
    q3_m3h: Flow | None = None
    r: Flow | None = None
    accuracy_class: AccuracyClass = 2
    pressure_loss_bar: Flow = Field(0.63, description="at Q3; 0.63 bar is the cap of R 49")
    starting_gpm: Flow | None = None
    min_test_gpm: Flow | None = None
    normal_min_gpm: Flow | None = None
    continuous_gpm: Flow | None = None
    smoc_gpm: Flow | None = None
    registration: tuple[tuple[Number, Number], ...] | None = Field(None, min_length=1)
    head_loss_psi_at_smoc: Flow | None = None
    low_limits: Limits | None = None
    normal_limits: Limits | None = None
    changeover_falling_gpm: Flow | None = None
    changeover_rising_gpm: Flow | None = None
    low_element_size_in: Flow | None = None
    price_usd: Money
    install_usd: Money
    upkeep_usd_per_year: Money
    life_years: Flow
    source: str = ""
    size_override: bool = Field(False, description="the trade does not make it, we mean it")

    @model_validator(mode="before")
    @classmethod
    def _to_us_units(cls, raw: Any) -> Any:
        return in_us_units(raw) if isinstance(raw, dict) else raw

    @model_validator(mode="after")
    def _belongs_together(self) -> MeterEntry:
        if (self.q3_m3h is None) != (self.r is None):
            raise ValueError("q3_m3h and r must both be given, or neither")
        falling, rising = self.changeover_falling_gpm, self.changeover_rising_gpm
        parts = [n for n in _COMPOUND_ONLY if getattr(self, n) is not None]
        if parts and self.meter_type != "compound":
            raise ValueError(f"{parts[0]}: only a compound has it; got a {self.meter_type}")
        if parts and self.registration is not None:
            raise ValueError(
                f"{parts[0]}: shapes the generic curve; leave it out beside registration"
            )
        if (falling is None) != (rising is None):
            raise ValueError("give both changeover flows, or neither")
        if falling is not None and rising is not None and falling > rising:
            raise ValueError(
                "changeover_falling_gpm: must not be above changeover_rising_gpm "
                f"({rising:g}); got {falling:g}"
            )
        return self

    @property
    def label(self) -> str:
        """Size, type and grade in words."""
        return label_of(self.meter_type, self.size_in, self.grade)


@dataclass(frozen=True)
class _Base:
    """Ratings of an entry before its curve is drawn."""

    flows_gpm: dict[str, float]
    head_loss_psi: float | None
    low_limits: Limits
    normal_limits: Limits
    changeover_floor: float
    low_element_size_in: float | None
    standard: str
    confidence: str
    source: str
    notes: tuple[str, ...] = ()


def build_meter(entry: MeterEntry, ratings: Ratings, rules: CurveRules) -> Meter:
    """The meter of an entry, with ratings and curve filled in where it leaves them out.

    Raises
    ------
    CatalogueError
        If a rating is given neither by the entry nor by a standard's table that may serve.
    """
    base = _base(entry, ratings)
    flows = base.flows_gpm | {
        name: value for name in _RATED if (value := getattr(entry, name)) is not None
    }
    loss_psi = entry.head_loss_psi_at_smoc or base.head_loss_psi
    _refuse_missing(entry, flows, loss_psi, ratings)
    rule = rules.of(entry.meter_type)
    starting = entry.starting_gpm or rule.start_share * flows["min_test_gpm"]
    low, normal = entry.low_limits or base.low_limits, entry.normal_limits or base.normal_limits
    parts: CompoundParts | None = None
    if entry.registration is not None:
        points: Points = entry.registration
    elif entry.meter_type == "compound":
        parts = _compound_parts(entry, base, flows, starting, low, ratings, rules)
        points = compound_points(parts, smoc_gpm=flows["smoc_gpm"])
    else:
        points = new_curve(
            rule, starting_gpm=starting, low_limits=low, normal_limits=normal,
            **{k: flows[k] for k in ("min_test_gpm", "normal_min_gpm", "smoc_gpm")},
        )  # fmt: skip
    assert loss_psi is not None
    return Meter(
        meter_type=entry.meter_type, size_in=entry.size_in, grade=entry.grade,
        starting_gpm=starting, registration=points, head_loss_psi_at_smoc=loss_psi,
        price_usd=entry.price_usd, install_usd=entry.install_usd,
        upkeep_usd_per_year=entry.upkeep_usd_per_year, life_years=entry.life_years,
        source=_source(entry, base), standard=base.standard, confidence=base.confidence,
        low_limits=low, normal_limits=normal, compound=parts, notes=base.notes, **flows,
    )  # fmt: skip


def _base(entry: MeterEntry, ratings: Ratings) -> _Base:
    if entry.q3_m3h is not None and entry.r is not None:
        rating = MetricRating(entry.q3_m3h, entry.r, entry.accuracy_class)
        return _metric_base(entry, rating)
    found = ratings.find(entry.meter_type, entry.size_in, entry.grade)
    return _table_base(*found) if found else _utility_base()


def _metric_base(entry: MeterEntry, rating: MetricRating) -> _Base:
    lower = LOWER_ZONE_PCT[rating.accuracy_class] / 100
    upper = UPPER_ZONE_PCT[rating.accuracy_class] / 100
    at_q4 = entry.pressure_loss_bar * (rating.q4_m3h / rating.q3_m3h) ** 2
    flows_m3h = (rating.q1_m3h, rating.q2_m3h, rating.q3_m3h, rating.q4_m3h)
    return _Base(
        flows_gpm={k: q * GPM_PER_M3H for k, q in zip(_RATED, flows_m3h, strict=True)},
        head_loss_psi=at_q4 * PSI_PER_BAR,
        low_limits=(1 - lower, 1 + lower),
        normal_limits=(1 - upper, 1 + upper),
        changeover_floor=1 - lower,
        low_element_size_in=None,
        standard="OIML R 49 / ISO 4064",
        confidence="MEM-H",
        source=(
            f"limits: OIML R 49-1 / ISO 4064-1, Q3 the continuous flow, R {rating.r:g}, "
            f"class {rating.accuracy_class} (from memory, high trust)"
        ),
        notes=rating.off_series(),
    )


def _table_base(table: RatingTable, row: Rating) -> _Base:
    limits = table.limits
    note = f", {row.note}" if row.note else ""
    return _Base(
        flows_gpm={k: v for k in _RATED if (v := getattr(row, k)) is not None},
        head_loss_psi=row.head_loss_psi_at_smoc,
        low_limits=limits.min_test if limits else (0.95, 1.01),
        normal_limits=limits.normal if limits else (0.985, 1.015),
        changeover_floor=(limits.changeover if limits else None) or 0.9,
        low_element_size_in=row.low_element_size_in,
        standard=table.standard,
        confidence=row.confidence,
        source=(
            f"ratings: {table.standard} ({CONFIDENCE_WORDS[row.confidence]}{note}); "
            f"{table.source}"
        ),
    )


def _utility_base() -> _Base:
    return _Base(
        flows_gpm={}, head_loss_psi=None, low_limits=(0.95, 1.01), normal_limits=(0.985, 1.015),
        changeover_floor=0.9, low_element_size_in=None, standard="", confidence="utility",
        source="ratings: the utility's own",
    )  # fmt: skip


def _source(entry: MeterEntry, base: _Base) -> str:
    if entry.registration is not None:
        curve = "curve: points of the entry"
    else:
        curve = "curve: stated rule"
    parts = (entry.source, base.source, curve)
    return "; ".join(part for part in parts if part)


def _refuse_missing(
    entry: MeterEntry, flows: dict[str, float], loss_psi: float | None, ratings: Ratings
) -> None:
    missing = [name for name in _RATED if name not in flows]
    if loss_psi is None:
        missing.append("head_loss_psi_at_smoc")
    if not missing:
        return
    left = [
        u for u in ratings.unrated()
        if (u.meter_type, u.size_in, u.grade) == (entry.meter_type, entry.size_in, entry.grade)
    ]  # fmt: skip
    why = left[0].why if left else (
        "no standard's table holds this type, size and grade; give the values from the "
        "meter's own certificate, or q3_m3h, r and accuracy_class"
    )  # fmt: skip
    raise CatalogueError(f"{', '.join(missing)}: missing; {why}")


def _compound_parts(
    entry: MeterEntry,
    base: _Base,
    flows: dict[str, float],
    starting_gpm: float,
    low_limits: Limits,
    ratings: Ratings,
    rules: CurveRules,
) -> CompoundParts:
    """Elements by rule: the low one is a displacement meter that meets the whole's minimum."""
    low_size = entry.low_element_size_in or base.low_element_size_in
    element = _low_element(low_size, flows["min_test_gpm"], ratings)
    assert element.normal_min_gpm is not None
    assert element.smoc_gpm is not None
    low = new_curve(
        rules.displacement,
        starting_gpm=starting_gpm,
        min_test_gpm=flows["min_test_gpm"],
        normal_min_gpm=min(element.normal_min_gpm, flows["normal_min_gpm"]),
        smoc_gpm=element.smoc_gpm,
        low_limits=low_limits,
        normal_limits=(0.985, 1.015),
    )
    return generic_parts(
        low,
        low_starting_gpm=starting_gpm,
        low_smoc_gpm=element.smoc_gpm,
        smoc_gpm=flows["smoc_gpm"],
        changeover_floor=base.changeover_floor,
        changeover_falling_gpm=entry.changeover_falling_gpm,
        changeover_rising_gpm=entry.changeover_rising_gpm,
    )


def _low_element(size_in: float | None, min_test_gpm: float, ratings: Ratings) -> Rating:
    """The displacement meter of this size, or else the largest that meets the minimum."""
    table = next(t for t in ratings.tables if t.meter_type == "displacement")
    if size_in is not None:
        found = ratings.find("displacement", size_in)
        if found is None:
            sizes = ", ".join(f"{r.size_in:g}" for r in table.sizes)
            raise CatalogueError(f"low_element_size_in: allowed: {sizes}; got {size_in:g}")
        return found[1]
    meets = [r for r in table.sizes if (r.min_test_gpm or 0) <= min_test_gpm * (1 + 1e-9)]
    return meets[-1] if meets else table.sizes[0]
