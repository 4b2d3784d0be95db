"""Columns and value lists shared by several result tables."""

from __future__ import annotations

from typing import Final

from rightsize.contracts.table import text

VERDICTS: Final = ("fits", "oversized", "undersized", "wrong_type", "not_assessed")
FLAGGED_VERDICTS: Final = ("oversized", "undersized", "wrong_type")
"""Verdicts of a meter that does not suit the demand."""
ACTIONS: Final = ("change", "keep", "log_first", "refer")
SEVERITIES: Final = ("info", "warning", "serious")

SWEEP_ID: Final = text("sweep_id", "sweep; sorts by start time", origin="publish")
ACCOUNT: Final = text("account_id", "the utility's account number")
METER: Final = text("meter_id", "meter in service at the account")
