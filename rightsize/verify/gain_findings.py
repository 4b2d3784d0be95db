"""A finding for every job of which no gain can be told, and for rows of the log left out."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

import polars as pl

from rightsize.contracts.realised_gain import NO_GAIN_CODES
from rightsize.findings import FINDING_CODES, Finding

DOUBTFUL_DATES: Final = (
    "outside_data", "two_on_one_day", "two_in_one_month", "removed_meter_reads",
)  # fmt: skip
"""Refusals that say that a record may be wrong."""


def gain_findings(rows: pl.DataFrame) -> Iterator[Finding]:
    """Findings on rows of the table realised_gain without a gain: one a meter and code.

    A meter with several jobs of one code has one finding that tells them all.
    """
    refused = rows.filter(pl.col("code").is_not_null())
    by_key: dict[tuple[str, str, str], list[dict[str, Any]]] = {}
    for row in refused.iter_rows(named=True):
        code = _code(row["code"])
        # a wrong multiplier is that of the meter put in: told where it is read
        meter = row["meter_id" if code == "multiplier_at_change" else "removed_meter_id"]
        key = (row["account_id"], meter, code)
        by_key.setdefault(key, []).append(row)
    for (account, meter, code), jobs in sorted(by_key.items()):
        yield _finding(account, meter, code, jobs)


def _code(rule: str) -> str:
    if rule == "multiplier":
        return "multiplier_at_change"
    return "change_out_dates" if rule in DOUBTFUL_DATES else "change_out_not_judged"


def _finding(account: str, meter: str, code: str, jobs: list[dict[str, Any]]) -> Finding:
    told = [
        f"{job['kind'].replace('_', ' ')} of {job['changed_on']}: {NO_GAIN_CODES[job['code']]}"
        f" ({job['code']})"
        for job in jobs
    ]
    evidence = {
        "changed_on": [str(job["changed_on"]) for job in jobs],
        "rules": [job["code"] for job in jobs],
        "meter_ids": [job["meter_id"] for job in jobs],
    }
    text = f"no gain can be told; {'; '.join(told)}"
    makers = {
        "multiplier_at_change": _multiplier,
        "change_out_dates": _dates,
        "change_out_not_judged": _not_judged,
    }
    return makers[code](account, meter, text, evidence)


def _multiplier(account: str, meter: str, text: str, evidence: dict[str, Any]) -> Finding:
    severity = FINDING_CODES["multiplier_at_change"].severity
    advice = "; check multiplier and unit of the meter put in"
    return Finding(account, meter, "multiplier_at_change", severity, text + advice, evidence)


def _dates(account: str, meter: str, text: str, evidence: dict[str, Any]) -> Finding:
    severity = FINDING_CODES["change_out_dates"].severity
    return Finding(account, meter, "change_out_dates", severity, text, evidence)


def _not_judged(account: str, meter: str, text: str, evidence: dict[str, Any]) -> Finding:
    severity = FINDING_CODES["change_out_not_judged"].severity
    return Finding(account, meter, "change_out_not_judged", severity, text, evidence)
