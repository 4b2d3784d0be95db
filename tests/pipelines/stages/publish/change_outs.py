"""Made-up rows of realised_gain for a synthetic sweep, of every standing."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import polars as pl

from rightsize.contracts.frames import as_block
from rightsize.contracts.realised_gain import REALISED_GAIN
from tests.pipelines.stages.publish.synthetic_sweep import SyntheticSweep

USE_GAL_PER_YEAR = 100_000.0
CODES = (None, None, None, "too_few_periods_after", "vacancy", "multiplier", "outside_data")


def with_change_outs(sweep: SyntheticSweep, count: int = 28) -> SyntheticSweep:
    """The sweep with change-outs at its first accounts: gains, losses, and every standing."""
    frame = as_block(pl.DataFrame([_row(k) for k in range(count)]), REALISED_GAIN)
    return replace(sweep, inputs=replace(sweep.inputs, realised_gain=frame))


def _row(place: int) -> dict[str, object]:
    code = CODES[place % len(CODES)]
    gain_pct = None if code else float(12 - 4 * (place % 5))
    return {
        **_required(),
        "account_id": f"A{place:06d}",
        "removed_meter_id": f"OLD{place}",
        "meter_id": f"M{place:06d}",
        "changed_on": dt.date(2025, 6, 1 + place % 28),
        "kind": ("type_and_size", "type", "like_for_like")[place % 3],
        "code": code,
        "promised_sweep_id": "20250101T020000Z",
        **_ends("promised_gain", "gal_per_year", 10_000.0, 4_000.0),
        **_ends("realised_gain", "pct", gain_pct, 3.0),
        **_ends(
            "realised_gain",
            "gal_per_year",
            None if gain_pct is None else gain_pct * USE_GAL_PER_YEAR / 100,
            3.0 * USE_GAL_PER_YEAR / 100,
        ),
        "days_before": 365.0,
        "days_after": 0.0 if code == "too_few_periods_after" else 180.0,
        "matched_accounts": 20,
    }


BLANK = {"text": "", "boolean": False, "number": 0.0, "integer": 0}


def _required() -> dict[str, object]:
    """A value for each column that must be there, whatever columns the contract has."""
    return {
        c.name: c.allowed[0] if c.allowed else BLANK[c.type]
        for c in REALISED_GAIN.columns
        if c.null == "never" and c.type in BLANK
    }


def _ends(stem: str, unit: str, middle: float | None, reach: float) -> dict[str, float | None]:
    by = {"low_": -reach, "": 0.0, "high_": reach}
    return {
        f"{stem}_{end}{unit}": None if middle is None else middle + off
        for end, off in by.items()
    }
