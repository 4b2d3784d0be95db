"""What every account is judged by: catalog, tariff, thresholds, priors and installed curves."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import polars as pl

from rightsize.contracts.change_outs.gain_correction import GainCorrection
from rightsize.flow_logs.shown import LogShown
from rightsize.inference.water_use.priors import Priors
from rightsize.meters.catalogue import Catalogue
from rightsize.meters.uncertainty.installed_curves import InstalledCurves
from rightsize.settings import Tariff, Thresholds
from rightsize.units import UnitSystem


@dataclass(frozen=True)
class UsedLogs:
    """Flow logs in use, by meter in service, and the rows that tell what came of all logs."""

    shown: Mapping[str, LogShown] = field(default_factory=dict)
    rows: pl.DataFrame | None = None  # of flow_log_result; None without logs


@dataclass(frozen=True)
class JudgedBy:
    """What every bucket is judged by."""

    catalogue: Catalogue
    tariff: Tariff
    thresholds: Thresholds
    priors: Priors
    units: UnitSystem  # of sentences; columns are in US units until they are published
    installed: InstalledCurves | None = None  # None: the catalog's curves for all
    correction: GainCorrection | None = None  # None: gains stay as the reads tell them
    logs: UsedLogs = field(default_factory=UsedLogs)
    to_log: frozenset[str] | None = None  # by a campaign; None: none is under way


def with_meter_index(
    service: pl.DataFrame, catalogue: Catalogue, *, units: UnitSystem
) -> pl.DataFrame:
    """The meter list with each meter's row in the catalog, or why it has none.

    A meter is judged by its own grade where meters.csv names one, and never by another: the
    curve of a better one would hide what it loses. Without a grade the first entry of its type
    and size counts.

    Returns
    -------
    frame
        `service` with meter_index (null where the meter is not rated), meter_status (rated,
        unrated, unknown) and meter_refusal (why it cannot be judged; null where it can).
    """
    named = ["meter_type", "size_in", "grade"]
    kinds = service.select(named).unique(maintain_order=True)
    found = [_placed(catalogue, units, *kind) for kind in kinds.iter_rows()]
    schema = {"meter_index": pl.Int64, "meter_status": pl.String, "meter_refusal": pl.String}
    placed = kinds.hstack(pl.DataFrame(found, schema=schema, orient="row"))
    return service.join(placed, on=named, how="left", nulls_equal=True, maintain_order="left")


def _placed(
    catalogue: Catalogue, units: UnitSystem, meter_type: str, size_in: float, grade: str | None
) -> tuple[int | None, str, str | None]:
    grade = grade or None
    row = catalogue.row_of(meter_type, size_in, grade=grade)
    status = catalogue.status(meter_type, size_in, grade=grade)
    if row is not None:
        return row, status, None
    why = catalogue.why_not_rated(meter_type, size_in, grade=grade, units=units)
    return row, status, why
