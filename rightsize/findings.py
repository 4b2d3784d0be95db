"""Findings: what a crew or an analyst should know beside the verdict."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final, Literal

Severity = Literal["info", "warning", "serious"]


@dataclass(frozen=True)
class FindingCode:
    """A kind of finding: its code, how serious it is, and what it means in plain words."""

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
    FindingCode("part_year", "info", "less than a year of reads: a season may be missing"),
    FindingCode("low_coverage", "warning", "many reads of the period are missing"),
    FindingCode("many_estimates", "warning", "many reads are head-end estimates"),
    FindingCode("coarse_resolution", "warning", "register resolution is coarse for this flow"),
    FindingCode(
        "estimate_replaces_read",
        "warning",
        "estimates replaced measured or edited reads",
    ),
    FindingCode(
        "stopped_meter",
        "serious",
        "no recent registration on an account that used water before",
    ),
    FindingCode("stuck_register", "warning", "the register stuck, then caught up in one jump"),
    FindingCode(
        "slow_meter", "warning", "registration fell steadily relative to similar accounts"
    ),
    FindingCode(
        "possible_leak",
        "warning",
        "flow never drops to zero, day or night: possible leak or continuous use",
    ),
    FindingCode("reverse_flow", "warning", "the register ran backward"),
    FindingCode(
        "suspect_multiplier", "serious", "volumes are off by a unit or multiplier factor"
    ),
    FindingCode("clock_shift", "warning", "time stamps differ by one interval between sources"),
    FindingCode(
        "above_continuous",
        "warning",
        "sustained flow exceeds the meter's maximum continuous flow",
    ),
    FindingCode(
        "above_smoc",
        "warning",
        "peaks exceed the meter's safe maximum operating capacity (SMOC)",
    ),
    FindingCode(
        "manifold_overload",
        "warning",
        "meters side by side: their summed flow exceeds what they carry together",
    ),
    FindingCode(
        "manifold",
        "info",
        "meters side by side: their summed flow against what they carry together",
    ),
    FindingCode("near_limit", "info", "peak or sustained flow may exceed the meter's limits"),
    FindingCode(
        "verify_fire_service",
        "warning",
        "the service line may carry fire flow and its fire arrangement is not recorded",
    ),
    FindingCode(
        "no_fixed_charge", "warning", "the tariff has no base charge for the meter's size"
    ),
    FindingCode(
        "unmapped_class",
        "info",
        "the customer class code is not mapped: class `unknown` is used",
    ),
    FindingCode("unknown_meter", "serious", "reads of a meter that is not in meters.csv"),
    FindingCode("no_reads", "serious", "a meter in service with no accepted read"),
    FindingCode(
        "change_out_row",
        "warning",
        "a row of the change-out log cannot be used",
    ),
    FindingCode(
        "change_out_dates",
        "warning",
        "dates of a change-out contradict each other or the reads: no gain can be told",
    ),
    FindingCode(
        "change_out_not_judged",
        "info",
        "no gain can be told of a past change-out, repair or test",
    ),
    FindingCode(
        "multiplier_at_change",
        "serious",
        "volume became a multiple at a change-out: the new meter's multiplier or unit is wrong",
    ),
    FindingCode("flow_log_rows", "warning", "rows of a flow log were rejected"),
    FindingCode(
        "flow_log_refused",
        "warning",
        "a flow log is not used: it does not agree with the register, or cannot be placed",
    ),
    FindingCode("flow_log_gaps", "info", "a flow log in use has gaps"),
    FindingCode(
        "gap_volume",
        "info",
        "volume passed during gaps in the reads: its flow rates are not known",
    ),
)

FINDING_CODES: Final[dict[str, FindingCode]] = {c.code: c for c in _CODES}
"""Every finding code, by its name. A stage adds a code here before it may report it."""

NOT_ASSESSED_CODES: Final[dict[str, str]] = {
    "fire_service": "a fire or combined service is never resized from consumption data",
    "meter_not_rated": "the installed meter is known, but its ratings are not",
    "meter_not_in_catalogue": "the installed type, size or grade is not in the catalog",
    "no_reads": "no accepted read of the meter in the trailing 12 months",
    "too_few_days": "too few days of reads",
    "many_estimates": "too many reads are estimates",
    "nearly_all_leak": "next to nothing was registered beside a possible leak that began in the"
    " year: find the leak, then size the meter",
    "no_registration": "the meter registered next to nothing",
    "resolution_too_coarse": "register resolution is too coarse for the use",
    "no_estimate": "the reads gave no usable flow estimate",
}
"""Every reason for not assessing an account, with its meaning, the first that holds first.
Contract, handbook and the gate (`demand/sufficiency.py`) take them from here."""

LOG_REFUSALS: Final[dict[str, str]] = {
    "meter_unknown": "correct meter_id or account_id in the file and send it again",
    "too_short": "log again for at least two whole days, better two weeks",
    "outside_reads": "check start and time zone of the file; otherwise wait for the reads",
    "gaps": "check battery, probe and memory of the logger, and log again",
    "wrong_meter": "find which meter was logged, correct meter_id and send the file again",
    "clock_shifted": "correct the file's start or time zone and send it again",
    "clock_reversed": "turn the rows of the file round and send it again",
    "clock_drift": "write drift_s_per_day above the columns and send the file again",
    "pulse_size": "correct pulse_gal above the columns and send the file again",
    "other_log_used": "nothing to do: a log of the flow in the pipe tells more",
    "volume_disagrees": "check pulse size, pipe and settings of the logger; if they are right,"
    " test the meter",
}
"""Why a log is not used, and what to do."""
