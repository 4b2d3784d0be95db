"""Builds a meter from a catalog entry.

Missing values are filled in this order: from the metric rating (`q3_m3h`, `r`,
`accuracy_class`) if it gives one, from the standard's table of its type, size and grade, and
the curve from the type's rule. Prices and life are never filled in.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from rightsize.errors import CatalogueError
from rightsize.meters.build.compound import compound_points, generic_parts
from rightsize.meters.build.curves import CurveRules, new_curve
from rightsize.meters.build.entry import MeterEntry
from rightsize.meters.build.metric import (
    LOWER_ZONE_PCT,
    PRESSURE_LOSS_BAR,
    UPPER_ZONE_PCT,
    MetricRating,
)
from rightsize.meters.build.ratings import CONFIDENCE_WORDS, Rating, Ratings, RatingTable
from rightsize.meters.catalogue import CompoundParts, Limits, Meter, Points
from rightsize.units import GPM_PER_M3H, PSI_PER_BAR

LOW_ELEMENT_SHARE: Final = 0.2
"""Most of the whole's SMOC that a compound's low element carries (stated rule: it holds for
every compound of AWWA C702 in the table)."""
_RATED: Final = ("min_test_gpm", "normal_min_gpm", "continuous_gpm", "smoc_gpm")


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
    """The meter of an entry, with omitted ratings and curve filled in.

    Raises
    ------
    CatalogueError
        If a rating is given neither by the entry nor by a standard's table that may serve.
    """
    base = _base(entry, ratings)
    own = {n: value for n in _RATED if (value := getattr(entry, n)) is not None}
    flows = base.flows_gpm | own
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
            rule,
            starting_gpm=starting,
            low_limits=low,
            normal_limits=normal,
            **{k: flows[k] for k in ("min_test_gpm", "normal_min_gpm", "smoc_gpm")},
        )
    assert loss_psi is not None
    return Meter(
        meter_type=entry.meter_type,
        size_in=entry.size_in,
        grade=entry.grade,
        starting_gpm=starting,
        registration=points,
        head_loss_psi_at_smoc=loss_psi,
        price_usd=entry.price_usd,
        install_usd=entry.install_usd,
        upkeep_usd_per_year=entry.upkeep_usd_per_year,
        life_years=entry.life_years,
        source=_source(entry, base, own),
        standard=base.standard,
        confidence="utility" if len(own) == len(_RATED) else base.confidence,
        low_limits=low,
        normal_limits=normal,
        compound=parts,
        notes=base.notes,
        is_lead_free=entry.is_lead_free,
        lay_length_in=entry.lay_length_in,
        end_connection=entry.end_connection,
        needs_power=entry.needs_power,
        **flows,
    )


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
        notes=(*rating.off_series(), *_off_loss_class(entry.pressure_loss_bar)),
    )


def _off_loss_class(loss_bar: float) -> tuple[str, ...]:
    if any(math.isclose(loss_bar, known) for known in PRESSURE_LOSS_BAR):
        return ()
    allowed = ", ".join(f"{bar:g}" for bar in PRESSURE_LOSS_BAR)
    return (f"pressure_loss_bar {loss_bar:g} is not a class of R 49; classes: {allowed}",)


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
        flows_gpm={},
        head_loss_psi=None,
        low_limits=(0.95, 1.01),
        normal_limits=(0.985, 1.015),
        changeover_floor=0.9,
        low_element_size_in=None,
        standard="",
        confidence="utility",
        source="ratings: the utility's own",
    )


def _source(entry: MeterEntry, base: _Base, own: dict[str, float]) -> str:
    """Source text: from the entry itself, its own values, and the rest."""
    curve = "curve: points of the entry" if entry.registration else "curve: stated rule"
    if len(own) == len(_RATED):
        limits = f"limits: {base.standard}" if base.standard else ""
        parts = [entry.source, "ratings: the entry's own", limits, curve]
    else:
        given = f"{', '.join(own)}: the entry's own" if own else ""
        parts = [entry.source, given, base.source, curve]
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
        u
        for u in ratings.unrated()
        if (u.meter_type, u.size_in, u.grade) == (entry.meter_type, entry.size_in, entry.grade)
    ]
    why = (
        left[0].why
        if left
        else (
            "no standard's table has this type, size and grade; give the values from the "
            "meter's certificate, or q3_m3h, r and accuracy_class"
        )
    )
    raise CatalogueError(f"missing {', '.join(missing)}: {why}")


def _compound_parts(
    entry: MeterEntry,
    base: _Base,
    flows: dict[str, float],
    starting_gpm: float,
    low_limits: Limits,
    ratings: Ratings,
    rules: CurveRules,
) -> CompoundParts:
    """Elements by rule: the low side is a displacement meter that meets the minimum flow."""
    low_size = entry.low_element_size_in or base.low_element_size_in
    element = _low_element(low_size, flows, ratings)
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


def _low_element(
    size_in: float | None, flows_gpm: dict[str, float], ratings: Ratings
) -> Rating:
    """The displacement meter of this size, or else by rule.

    The largest that is tested at no more than the whole's minimum flow and handles no more
    than a fifth of the whole.
    """
    table = next(t for t in ratings.tables if t.meter_type == "displacement")
    if size_in is not None:
        found = ratings.find("displacement", size_in)
        if found is None:
            sizes = ", ".join(f"{r.size_in:g}" for r in table.sizes)
            raise CatalogueError(f"low_element_size_in: got {size_in:g}; allowed: {sizes}")
        return found[1]
    least, most = flows_gpm["min_test_gpm"], LOW_ELEMENT_SHARE * flows_gpm["smoc_gpm"]
    meets = [
        r
        for r in table.sizes
        if (r.min_test_gpm or 0) <= least * (1 + 1e-9) and (r.smoc_gpm or 0) <= most
    ]
    return meets[-1] if meets else table.sizes[0]
