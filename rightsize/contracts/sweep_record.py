"""What a sweep records about itself for publication."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any


@dataclass(frozen=True)
class SweepRecord:
    """Identity, time and settings of one sweep.

    `sweep_id` sorts by start time. `documents` holds the settings in effect, defaults
    included: config, tariff, thresholds, catalogue, priors.
    """

    sweep_id: str
    utility: str
    started_at: datetime
    finished_at: datetime
    config_hash: str
    catalogue_hash: str
    meters_hash: str
    lake_hash: str
    code_version: str
    timezone: str
    buckets: int
    documents: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Reconciliation:
    """Balanced counts, input against output, by accounts, rows and volume."""

    accounts: int
    assessed: int
    not_assessed: int
    rows_landed: int
    rows_accepted: int
    rows_rejected: int
    rows_superseded: int
    accepted_gal: float
    superseded_gal: float
