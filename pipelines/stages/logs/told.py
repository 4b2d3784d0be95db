"""What is told of each log: its row of `flow_log_result`, and findings."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Final

from rightsize.findings import Finding
from rightsize.flow_logs.judged import ExpectedRatio, Judged
from rightsize.flow_logs.shown import LogShown

UNTOLD: Final = "other_log_used"  # no fault of the log


@dataclass
class LogOnItsWay:
    """A landed log on its way: its ledger row, its meter, what came of it."""

    row: dict[str, Any]
    meter: dict[str, Any] | None
    judged: Judged | None = None
    expected: ExpectedRatio | None = None
    shown: LogShown | None = None
    problems: list[str] = field(default_factory=list)

    @property
    def named(self) -> tuple[str | None, str | None]:
        """Account and meter: as listed, or as the file says."""
        known = self.meter or {}
        return (
            known.get("account_id") or self.row["account_id"],
            known.get("meter_id") or self.row["meter_id"],
        )


def log_findings(found: list[LogOnItsWay]) -> list[Finding]:
    """Findings on logs; one a meter and code, whatever number of logs it has."""
    out: list[Finding] = []
    for (account, meter), logs in _by_meter(found):
        rows = [(log, f"{log.row['path']}: {text}") for log in logs for text in log.problems]
        refused = [
            (log, f"{log.row['path']}: not used: {log.judged.message}")
            for log in logs
            if log.judged and log.judged.rule not in (None, UNTOLD)
        ]
        gaps = [
            (log, f"{log.row['path']}: used, but {log.judged.note}")
            for log in logs
            if log.judged and log.judged.is_used and log.judged.note
        ]
        if rows:
            out.append(_finding(account, meter, "flow_log_rows", rows, "warning"))
        if refused:
            out.append(_finding(account, meter, "flow_log_refused", refused, "warning"))
        if gaps:
            out.append(_finding(account, meter, "flow_log_gaps", gaps, "info"))
    return out


def _by_meter(
    found: list[LogOnItsWay],
) -> Iterator[tuple[tuple[str | None, str | None], list[LogOnItsWay]]]:
    groups: dict[tuple[str | None, str | None], list[LogOnItsWay]] = {}
    for log in found:
        groups.setdefault(log.named, []).append(log)
    yield from sorted(groups.items(), key=lambda group: str(group[0]))


def _finding(
    account: str | None,
    meter: str | None,
    code: str,
    told: list[tuple[LogOnItsWay, str]],
    severity: Any,
) -> Finding:
    rows = [result_row(log) for log, _ in told]
    return Finding(
        account,  # type: ignore[arg-type]  # null: the log names no account
        meter,
        code,
        severity,
        "; ".join(text for _, text in told),
        {name: [row[name] for row in rows] for name in _EVIDENCE},
    )


_EVIDENCE: Final = ("log_file", "rule", "rows_rejected", "log_gal", "register_gal")


def result_row(log: LogOnItsWay) -> dict[str, Any]:
    """A row of `flow_log_result`, without what the log changed."""
    assert log.judged is not None
    row, found, seen = log.row, log.judged.agreement, log.shown
    meter = log.meter or {}
    has_register = found is not None and found.interval_count > 0 and found.log_gal > 0
    return {
        "log_hash": row["file_hash"],
        "log_file": row["path"],
        "account_id": meter.get("account_id"),
        "meter_id": meter.get("meter_id"),
        **{
            name: row[name]
            for name in (
                "measures", "step_s", "first_at", "last_at", "rows_landed", "rows_accepted",
                "rows_rejected", "rows_missing",
            )
        },
        "logged_days": (row["rows_accepted"] - row["rows_missing"]) * row["step_s"] / 86_400,
        "compared_days": found.compared_days if found else 0.0,
        "log_gal": found.log_gal if found else None,
        "register_gal": found.register_gal if found else None,
        "register_over_log_share": found.register_gal / found.log_gal
        if found and has_register
        else None,
        "least_expected_share": log.expected.low if log.expected else None,
        "most_expected_share": log.expected.high if log.expected else None,
        "correlation": found.correlation if found and found.has_pattern else None,
        "is_used": log.judged.is_used,
        "rule": log.judged.rule,
        "message": "; ".join(filter(None, (log.judged.message, log.judged.note))),
        "log_peak_gpm": seen.peak_gpm if seen and len(seen.day_peak_gpm) else None,
        "log_hour_gpm": seen.hour_gpm if seen else None,
        "log_night_gpm": seen.steady_gpm if seen else None,
    }  # fmt: skip
