"""What is known of one meter in service, gathered for a page: a record and its arrays."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rightsize.meters.catalogue import Meter
from rightsize.units import UnitSystem

Array = NDArray[np.float64]
Row = Mapping[str, Any]


@dataclass(frozen=True)
class YearReads:
    """A trailing year of reads, day by day; D days in a row, NaN where nothing was read.

    Flows are means of what the installed meter registered.
    """

    days: tuple[dt.date, ...]  # [D]
    hour_gpm: Array  # [D, 24] mean flow of each clock hour [gpm]
    day_gal: Array  # [D] volume of all reads that count [gal]
    night_gpm: Array  # [D] least 60-min mean between 0 and 6 h [gpm]
    covered_share: Array  # [D] share of the day with a read [1]
    estimated_share: Array  # [D] share of the read time that is estimated [1]

    @property
    def full_day(self) -> NDArray[np.bool_]:
        """Days read for at least 20 of 24 hours [D]: the others tell no day's volume."""
        full: NDArray[np.bool_] = self.covered_share >= FULL_DAY_SHARE
        return full


FULL_DAY_SHARE = 20 / 24


@dataclass(frozen=True)
class SourceFile:
    """A landed file that holds reads of the meter."""

    export: str
    name: str
    file_hash: str
    read_count: int
    superseded_count: int


@dataclass(frozen=True)
class Provenance:
    """Which sweep a page shows, and what it rested on."""

    utility: str
    sweep_id: str
    made_at: dt.datetime
    code_version: str
    config_hash: str
    catalogue_hash: str
    meters_hash: str
    lake_hash: str
    timezone: str
    has_meter_list_changed: bool = False


@dataclass(frozen=True)
class SiteEvidence:
    """One meter in service: rows of the published tables in US units, and its reads.

    `recommendation`, `profile`, `bands`, `candidates`, `findings`, `year_money` and
    `bill_impact` are rows of the tables of those names, keyed by column. `listed` is the
    meter's row of the meter list.
    """

    recommendation: Row
    provenance: Provenance
    units: UnitSystem
    profile: Row | None = None
    bands: tuple[Row, ...] = ()
    candidates: tuple[Row, ...] = ()
    findings: tuple[Row, ...] = ()
    year_money: tuple[Row, ...] = ()
    bill_impact: Row | None = None
    installed: Meter | None = None
    recommended: Meter | None = None
    runner_up: Meter | None = None
    year: YearReads | None = None
    files: tuple[SourceFile, ...] = ()
    listed: Row = field(default_factory=dict)
    thresholds: Row = field(default_factory=dict)
    change_outs: tuple[Row, ...] = ()  # of the account, in the published units
    test_outcome: Row | None = None  # of meter_test_outcome
    test_due: Row | None = None  # of meter_test_due

    @property
    def account_id(self) -> str:
        """Account as the utility names it."""
        return str(self.recommendation["account_id"])

    @property
    def meter_id(self) -> str:
        """Meter as the utility names it."""
        return str(self.recommendation["meter_id"])

    @property
    def is_assessed(self) -> bool:
        """Whether the meter has a verdict."""
        return bool(self.recommendation["verdict"] != "not_assessed")

    @property
    def is_fire(self) -> bool:
        """A fire or combined service, or a fire-service meter: never resized."""
        row = self.recommendation
        return (
            row.get("service_kind") in ("fire", "combined")
            or row.get("installed_type") == "fire_service"
        )

    @property
    def is_stopped(self) -> bool:
        """The meter registers nothing any more."""
        return any(f["code"] == "stopped_meter" for f in self.findings)

    @property
    def is_slow(self) -> bool:
        """The meter's registration falls steadily against its class."""
        return any(f["code"] == "slow_meter" for f in self.findings)

    @property
    def has_wrong_multiplier(self) -> bool:
        """The volumes are off by a unit or multiplier factor, as far as the reads tell."""
        return any(
            f["code"] in ("suspect_multiplier", "multiplier_at_change") for f in self.findings
        )

    @property
    def is_fire_unverified(self) -> bool:
        """The line may carry fire flow, and its fire arrangement is not recorded."""
        return any(f["code"] == "verify_fire_service" for f in self.findings)

    @property
    def is_change(self) -> bool:
        """Whether the recommended meter is not the installed one."""
        row = self.recommendation
        names = ("type", "size_in", "grade")
        return row.get("recommended_type") is not None and any(
            row.get(f"recommended_{n}") != row.get(f"installed_{n}") for n in names
        )
