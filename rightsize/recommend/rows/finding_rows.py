"""Rows of `finding` and `not_assessed`: what the assessment found beside the verdict."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from rightsize.demand.reading_findings import finding_frame
from rightsize.findings import FINDING_CODES, Finding
from rightsize.inference.samples import mean
from rightsize.meters.arrays import meter_arrays
from rightsize.meters.catalogue import Meter, size_label
from rightsize.recommend.case import Case
from rightsize.recommend.choice import Choice
from rightsize.wording import Wording

Array = NDArray[np.float64]
Index = NDArray[np.int64]


def decision_findings(case: Case, rows: slice, choice: Choice) -> pl.DataFrame:
    """What the assessment found beside the verdict; few rows, evidence as JSON."""
    judged = case.refused.is_assessed[rows]
    sure, near = case.thresholds.odds_of_undersized, case.thresholds.near_limit_odds
    peak, lasting = choice.odds_over_smoc, choice.odds_over_continuous
    may_be = (choice.odds_over >= near) & (choice.odds_over < sure)
    hits = {
        "above_smoc": (peak >= sure, peak),
        "above_continuous": (lasting >= sure, lasting),
        "near_limit": (may_be, choice.odds_over),
        "no_fixed_charge": (_lacks_charge(case, rows), choice.odds_over),
    }
    flows_gpm = _flows_gpm(case, rows)
    found = [
        _finding(case, rows, code, int(k), flows_gpm, float(odds[k]))
        for code, (where, odds) in hits.items()
        for k in np.flatnonzero(where & judged)
    ]
    return finding_frame([*found, *_unverified(case, rows)])


def _unverified(case: Case, rows: slice) -> list[Finding]:
    """A finding for each assessed meter on a line that may carry fire flow unrecorded."""
    where = case.is_fire_unverified[rows] & case.refused.is_assessed[rows]
    return [_verify_fire(case, rows, int(k)) for k in np.flatnonzero(where)]


def _verify_fire(case: Case, rows: slice, k: int) -> Finding:
    meter = case.catalogue.meters[int(case.meter_index[rows][k])]
    line_in = float(case.sites.service_line_in[rows][k])
    kind = case.sites.service_kind[rows][k]
    said = Wording(case.units)
    line = (
        "the service line size is not recorded"
        if np.isnan(line_in)
        else f"the service line is {size_label(line_in, units=case.units)}"
    )
    serves = "the service kind is not recorded" if kind == "unknown" else f"{kind} service"
    return Finding(
        account_id=case.block.account_id[rows][k],
        meter_id=case.block.meter_id[rows][k],
        code="verify_fire_service",
        severity=FINDING_CODES["verify_fire_service"].severity,
        message=f"verify the fire service before any change: {line}, the meter is "
        f"{said.named(meter)}, {serves}, and no fire arrangement is recorded",
        evidence={
            "service_line_in": None if np.isnan(line_in) else line_in,
            "installed_size_in": meter.size_in,
            "service_kind": kind,
        },
    )


def _flows_gpm(case: Case, rows: slice) -> tuple[Array, Array]:
    """Expected peak and sustained flow of each account."""
    drawn = (case.posterior.peak_10s_gpm[:, rows], case.posterior.sustained_60min_gpm[:, rows])
    peak, lasting = (mean(np.nan_to_num(flow)) for flow in drawn)
    return peak, lasting


def _finding(
    case: Case, rows: slice, code: str, k: int, flows_gpm: tuple[Array, Array], odds: float
) -> Finding:
    meter = case.catalogue.meters[int(case.meter_index[rows][k])]
    evidence = {
        "peak_10s_gpm": round(float(flows_gpm[0][k]), 3),
        "sustained_60min_gpm": round(float(flows_gpm[1][k]), 3),
        "smoc_gpm": meter.smoc_gpm,
        "continuous_gpm": meter.continuous_gpm,
        "odds": round(odds, 3),
    }
    return Finding(
        account_id=case.block.account_id[rows][k],
        meter_id=case.block.meter_id[rows][k],
        code=code,
        severity=FINDING_CODES[code].severity,
        message=_finding_text(code, meter, evidence, Wording(case.units)),
        evidence=evidence,
    )


def _lacks_charge(case: Case, rows: slice) -> NDArray[np.bool_]:
    """Whether the change of charge to every other size is unknown [A]."""
    size = meter_arrays(case.catalogue.meters).size_in
    other = np.abs(size[None, :] - size[case.meter_index[rows]][:, None]) > 1e-3
    unknown = np.isnan(case.costs.fixed_charge_change_usd_per_year[rows])
    return np.asarray(other.any(axis=1) & (unknown | ~other).all(axis=1))


def _finding_text(code: str, meter: Meter, evidence: dict[str, float], said: Wording) -> str:
    flow = {k: said.flow_text(v) for k, v in evidence.items() if k != "odds"}
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
