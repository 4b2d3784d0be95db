"""Findings: what a crew or an analyst should know beside the verdict."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final, Literal

Severity = Literal["info", "warning", "serious"]


@dataclass(frozen=True)
class FindingCode:
    """A kind of finding: its code, how grave it is, and what it means in plain words."""

    code: str
    severity: Severity
    meaning: str


@dataclass(frozen=True)
class Finding:
    """One finding on one account.

    `evidence` holds the account's own numbers, keyed by name with unit suffix.
    """

    account_id: str
    meter_id: str | None
    code: str
    severity: Severity
    message: str
    evidence: dict[str, Any] = field(default_factory=dict)


_CODES = (
    FindingCode("part_year", "info", "less than a year of reads: a season may be hidden"),
    FindingCode("low_coverage", "warning", "many reads of the period are missing"),
    FindingCode("many_estimates", "warning", "many reads are estimates of the head-end"),
    FindingCode(
        "estimate_replaces_read",
        "warning",
        "estimates stand where measured or edited reads landed too",
    ),
    FindingCode(
        "coarse_resolution", "warning", "the register's step is large against the flow"
    ),
    FindingCode(
        "stopped_meter", "serious", "no registration for long on an account that used water"
    ),
    FindingCode(
        "stuck_register", "warning", "the register stood still, then leapt by what had passed"
    ),
    FindingCode("slow_meter", "warning", "registration fell steadily against accounts alike"),
    FindingCode("possible_leak", "warning", "the flow never falls to zero, day or night"),
    FindingCode("reverse_flow", "warning", "the register ran backward"),
    FindingCode(
        "suspect_multiplier", "serious", "volumes are off by the factor of a unit or multiplier"
    ),
    FindingCode("clock_shift", "warning", "the stamps are off by one interval between sources"),
    FindingCode(
        "above_continuous", "warning", "the meter runs above its continuous rating for long"
    ),
    FindingCode(
        "above_smoc", "warning", "peaks exceed the meter's safe maximum operating capacity"
    ),
    FindingCode(
        "near_limit", "info", "peak or sustained flow may exceed what the meter may carry"
    ),
    FindingCode(
        "no_fixed_charge", "warning", "the tariff has no fixed charge for the meter's size"
    ),
    FindingCode(
        "unmapped_class", "info", "the customer class code is not mapped: class unknown is used"
    ),
    FindingCode("unknown_meter", "serious", "reads of a meter that meters.csv does not hold"),
    FindingCode("no_reads", "serious", "a meter in service without any accepted read"),
    FindingCode("gap_volume", "info", "much volume passed during gaps: its shape is not known"),
)

FINDING_CODES: Final[dict[str, FindingCode]] = {c.code: c for c in _CODES}
"""Every finding code, by its name. A stage adds a code here before it may report it."""

NOT_ASSESSED_CODES: Final[dict[str, str]] = {
    "fire_service": "a fire or combined service is never resized from consumption data",
    "meter_not_rated": "the installed meter is known, but its ratings are not",
    "meter_not_in_catalogue": "the installed type, size or grade is not in the catalogue",
    "no_reads": "no accepted read of the meter in the trailing year",
    "too_few_days": "too few days of reads",
    "many_estimates": "too many reads are estimates",
    "no_registration": "the meter registered next to nothing",
    "resolution_too_coarse": "the register's step is too large against the use",
    "no_estimate": "the reads gave no usable estimate of flow",
}
"""Every reason for not assessing an account, with its meaning, the first that holds first.
Contract, handbook and the gate (`demand/sufficiency.py`) take them from here."""
