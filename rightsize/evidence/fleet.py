"""What is known of a fleet after a sweep, gathered for its pages: records of plain rows."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import polars as pl

from rightsize.evidence.outcomes.fleet_outcomes import ChangeOuts
from rightsize.units import UnitSystem

Row = Mapping[str, Any]

PAGES = ("index", "list", "changes", "outcome", "quality", "words")
"""Names of the pages, without `.html`."""


@dataclass(frozen=True)
class FleetEvidence:
    """One sweep's results as its pages show them.

    `meters` has a row a meter in service, in the columns of `sql/85_evidence/listed_meter.sql`
    and its order: what must be acted on first. The other fields are rows of the statements of
    their names. Volumes, flows and sizes are in the published units.
    """

    sweeps: tuple[Row, ...]  # newest first
    meters: pl.DataFrame
    totals: tuple[Row, ...]  # of all changes, from joint samples: one row, or none
    classes: tuple[Row, ...]
    verdicts: tuple[Row, ...]
    moved: tuple[Row, ...]
    refusals: tuple[Row, ...]
    coverage: tuple[Row, ...]
    expectations: tuple[Row, ...]
    change_outs: ChangeOuts = field(default_factory=ChangeOuts)

    @property
    def sweep(self) -> Row:
        """The sweep that is shown."""
        return self.sweeps[0]

    @property
    def units(self) -> UnitSystem:
        """Units of the published columns."""
        system: UnitSystem = self.sweep["units"]
        return system

    @property
    def finished_at(self) -> dt.datetime:
        """When the sweep's results were ready."""
        at: dt.datetime = self.sweep["finished_at"]
        return at

    @property
    def flagged(self) -> pl.DataFrame:
        """The meters to act on."""
        return self.meters.filter(pl.col("is_flagged"))

    @property
    def changes(self) -> pl.DataFrame:
        """The meters to change, the largest revenue gain first."""
        return self.meters.filter(pl.col("action") == "change").sort(
            "revenue_gain_usd_per_year",
            "account_id",
            "meter_id",
            descending=[True, False, False],
        )
