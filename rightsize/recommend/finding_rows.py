"""Rows of `finding` and `not_assessed`: what the assessment found beside the verdict."""

from __future__ import annotations

import json
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from rightsize.findings import FINDING_CODES
from rightsize.meters.catalogue import Meter
from rightsize.plain_number import plain_number
from rightsize.recommend.case import Case
from rightsize.recommend.choice import Choice
from rightsize.recommend.weighted import weighted_mean
from rightsize.wording import Wording

Array = NDArray[np.float64]
Index = NDArray[np.int64]


FINDING_SCHEMA: Final = {
    "account_id": pl.String,
    "meter_id": pl.String,
    "code": pl.String,
    "severity": pl.String,
    "message": pl.String,
    "evidence": pl.String,
}


def finding_frame(case: Case, rows: slice, choice: Choice) -> pl.DataFrame:
    """What the assessment found beside the verdict; few rows, evidence as JSON."""
    judged = case.refused.is_assessed[rows]
    sure = case.thresholds.odds_of_undersized - 1e-6
    may_be = (choice.odds_over >= case.thresholds.near_limit_odds) & (choice.odds_over < sure)
    hits = {
        "above_smoc": (choice.odds_over_smoc >= sure, choice.odds_over_smoc),
        "above_continuous": (choice.odds_over_continuous >= sure, choice.odds_over_continuous),
        "near_limit": (may_be, choice.odds_over),
        "no_fixed_charge": (_lacks_charge(case, rows), choice.odds_over),
    }
    flows_gpm = _flows_gpm(case, rows)
    found = [
        _finding(case, rows, code, int(k), flows_gpm, float(odds[k]))
        for code, (where, odds) in hits.items()
        for k in np.flatnonzero(where & judged)
    ]
    return pl.DataFrame(found, schema=FINDING_SCHEMA, orient="row")


def _flows_gpm(case: Case, rows: slice) -> tuple[Array, Array]:
    """Expected peak and sustained flow of each account."""
    weight = case.posterior.weight[:, rows]
    drawn = (case.posterior.peak_10s_gpm[:, rows], case.posterior.sustained_60min_gpm[:, rows])
    peak, lasting = (weighted_mean(np.nan_to_num(flow), weight) for flow in drawn)
    return np.asarray(peak, dtype=np.float64), np.asarray(lasting, dtype=np.float64)


def _finding(
    case: Case, rows: slice, code: str, k: int, flows_gpm: tuple[Array, Array], odds: float
) -> tuple[str, ...]:
    meter = case.catalogue.meters[int(case.meter_index[rows][k])]
    evidence = {
        "peak_10s_gpm": round(float(flows_gpm[0][k]), 3),
        "sustained_60min_gpm": round(float(flows_gpm[1][k]), 3),
        "smoc_gpm": meter.smoc_gpm,
        "continuous_gpm": meter.continuous_gpm,
        "odds": round(odds, 3),
    }
    return (
        case.block.account_id[rows][k],
        case.block.meter_id[rows][k],
        code,
        FINDING_CODES[code].severity,
        _finding_text(code, meter, evidence, Wording(case.units)),
        json.dumps(evidence),
    )


def _lacks_charge(case: Case, rows: slice) -> NDArray[np.bool_]:
    """Whether the change of charge to every other size is unknown [A]."""
    size = np.array([m.size_in for m in case.catalogue.meters])
    other = np.abs(size[None, :] - size[case.meter_index[rows]][:, None]) > 1e-3
    unknown = np.isnan(case.costs.fixed_charge_change_usd_per_year[rows])
    return np.asarray(other.any(axis=1) & (unknown | ~other).all(axis=1))


def _finding_text(code: str, meter: Meter, evidence: dict[str, float], said: Wording) -> str:
    flow = {
        k: plain_number(v * said.flow_per_gpm, 3) for k, v in evidence.items() if k != "odds"
    }
    figures = (
        f"{said.label(meter)}: "
        f"peak {flow['peak_10s_gpm']} of {flow['smoc_gpm']} {said.flow_unit}, "
        f"sustained {flow['sustained_60min_gpm']} of {flow['continuous_gpm']} {said.flow_unit}"
    )
    return f"{FINDING_CODES[code].meaning} ({figures})"


def not_assessed_frame(case: Case, rows: slice) -> pl.DataFrame:
    """Account, code and message of each meter not assessed."""
    frame = pl.DataFrame(
        {
            "account_id": case.block.account_id[rows],
            "meter_id": case.block.meter_id[rows],
            "code": case.refused.code[rows],
            "message": case.refused.message[rows],
        },
        schema=dict.fromkeys(("account_id", "meter_id", "code", "message"), pl.String),
    )
    return frame.filter(pl.col("code") != "")
