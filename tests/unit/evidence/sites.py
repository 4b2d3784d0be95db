"""A made-up site for tests of pages and pictures: small, consistent, easy to break."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

import numpy as np

from rightsize.evidence.site import Provenance, SiteEvidence, SourceFile, YearReads
from rightsize.meters.catalogue import Meter

PROVENANCE = Provenance(
    utility="Larkmoor Water",
    sweep_id="20260101T020000Z",
    made_at=dt.datetime(2026, 1, 1, 2, 3, tzinfo=dt.UTC),
    code_version="0.1.0",
    config_hash="c0ffee",
    catalogue_hash="ca7a10",
    meters_hash="3e7e25",
    lake_hash="1a4e",
    timezone="America/Denver",
)


def meter(meter_type: str, size_in: float, starting_gpm: float, smoc_gpm: float) -> Meter:
    return Meter(
        meter_type=meter_type,  # type: ignore[arg-type]
        size_in=size_in,
        starting_gpm=starting_gpm,
        min_test_gpm=2 * starting_gpm,
        normal_min_gpm=4 * starting_gpm,
        continuous_gpm=smoc_gpm / 2,
        smoc_gpm=smoc_gpm,
        registration=(
            (starting_gpm, 0.5),
            (2 * starting_gpm, 0.95),
            (4 * starting_gpm, 1.0),
            (smoc_gpm, 1.0),
        ),
        head_loss_psi_at_smoc=10.0,
        price_usd=800.0,
        install_usd=300.0,
        upkeep_usd_per_year=20.0,
        life_years=15.0,
        source="made up for a test",
    )


TURBINE = meter("turbine", 3.0, 2.0, 400.0)
STATIC = meter("electromagnetic", 2.0, 0.25, 160.0)


def recommendation(**changes: Any) -> dict[str, Any]:
    row: dict[str, Any] = {
        "account_id": "A-1", "meter_id": "M-1", "customer_name": "Harrowmere Court",
        "area": "Old Town", "customer_class": "office", "service_kind": "domestic",
        "installed_type": "turbine", "installed_size_in": 3.0, "installed_grade": "standard",
        "verdict": "wrong_type", "action": "change",
        "recommended_type": "electromagnetic", "recommended_size_in": 2.0,
        "recommended_grade": "standard",
        "installed_accuracy_pct": 88.0, "recommended_accuracy_pct": 99.5,
        "accuracy_gain_pct": 11.5, "accuracy_gain_low_pct": 6.0, "accuracy_gain_high_pct": 17.0,
        "volume_gain_gal_per_year": 120000.0, "volume_gain_low_gal_per_year": 60000.0,
        "volume_gain_high_gal_per_year": 180000.0,
        "revenue_gain_usd_per_year": 1200.0, "revenue_gain_low_usd_per_year": 600.0,
        "revenue_gain_high_usd_per_year": 1800.0,
        "net_benefit_usd_per_year": 1000.0, "net_benefit_low_usd_per_year": 400.0,
        "net_benefit_high_usd_per_year": 1600.0,
        "net_present_value_usd": 9000.0, "payback_years": 2.5,
        "fixed_charge_change_usd_per_year": -100.0, "change_cost_usd": 1100.0,
        "renewal_gain_usd_per_year": 0.0, "annual_cost_usd_per_year": 100.0,
        "peak_10s_gpm": 60.0, "peak_10s_low_gpm": 45.0, "peak_10s_high_gpm": 80.0,
        "low_flow_share": 0.3, "odds_of_benefit": 0.93, "odds_of_fit": 0.97,
        "odds_of_undersized": 0.02, "installed_smoc_gpm": 400.0, "spare_head_psi": 20.0,
        "runner_up_type": None, "runner_up_size_in": None, "runner_up_grade": None,
        "reason": "A 2 in electromagnetic carries the peak.",
        "settled_verdict": "wrong_type", "settled_action": "change",
    }  # fmt: skip
    return {**row, **changes}


PROFILE: dict[str, Any] = {
    "interval_min": 60.0, "resolution_gal": 1.0, "days_covered": 365.0, "reads_used": 8760,
    "estimated_share": 0.01, "registered_gal_per_year": 900000.0,
    "actual_gal_per_year": 1000000.0, "actual_low_gal_per_year": 950000.0,
    "actual_high_gal_per_year": 1100000.0, "unseen_gal_per_year": 60000.0,
    "minimum_night_flow_gpm": 0.2, "zero_share": 0.4,
    "sustained_60min_gpm": 20.0, "sustained_60min_low_gpm": 18.0,
    "sustained_60min_high_gpm": 22.0,
}  # fmt: skip


def bands() -> tuple[dict[str, Any], ...]:
    edges = [0.5, 1.0, 5.0, 20.0, 60.0]
    volume = [0.1, 0.2, 0.5, 0.2]
    time = [0.2, 0.1, 0.05, 0.001]
    return tuple(
        {
            "band_from_gpm": edges[k],
            "band_to_gpm": edges[k + 1],
            "time_share": time[k],
            "actual_volume_share": volume[k],
            "actual_volume_low_share": 0.5 * volume[k],
            "actual_volume_high_share": 1.5 * volume[k],
            "registered_volume_share": volume[k],
        }
        for k in range(4)
    )


def candidate(kind: str, size_in: float, **changes: Any) -> dict[str, Any]:
    row: dict[str, Any] = {
        "meter_type": kind,
        "size_in": size_in,
        "grade": "standard",
        "is_installed": False,
        "feasible": True,
        "rejected_because": None,
        "rank": 1,
        "accuracy_pct": 99.5,
        "accuracy_low_pct": 99.0,
        "accuracy_high_pct": 100.0,
        "net_benefit_usd_per_year": 1000.0,
        "net_benefit_low_usd_per_year": 400.0,
        "net_benefit_high_usd_per_year": 1600.0,
        "odds_of_fit": 0.97,
    }
    return {**row, **changes}


CANDIDATES = (
    candidate("electromagnetic", 2.0),
    candidate("electromagnetic", 3.0, rank=2, net_benefit_usd_per_year=700.0),
    candidate(
        "turbine", 3.0, rank=3, is_installed=True, accuracy_pct=88.0, accuracy_low_pct=82.0,
        accuracy_high_pct=94.0, net_benefit_usd_per_year=0.0,
    ),
    candidate(
        "displacement", 1.0, rank=None, feasible=False, odds_of_fit=0.1,
        rejected_because="peak_over_smoc, head_loss", net_benefit_usd_per_year=None,
        net_benefit_low_usd_per_year=None, net_benefit_high_usd_per_year=None,
    ),
)  # fmt: skip


def year(days: int = 60) -> YearReads:
    first = dt.date(2025, 1, 1)
    hours = np.tile(np.linspace(0.5, 12.0, 24), (days, 1))
    hours[3, 5] = np.nan
    gal = np.nansum(hours, axis=1) * 60
    gal[10] *= 3
    return YearReads(
        days=tuple(first + dt.timedelta(days=k) for k in range(days)),
        hour_gpm=hours,
        day_gal=gal,
        night_gpm=np.full(days, 0.5),
        covered_share=np.ones(days),
        estimated_share=np.zeros(days),
    )


def site(**changes: Any) -> SiteEvidence:
    made = SiteEvidence(
        recommendation=recommendation(),
        provenance=PROVENANCE,
        profile=PROFILE,
        bands=bands(),
        candidates=CANDIDATES,
        findings=(
            {"severity": "warning", "code": "possible_leak", "message": "never at rest"},
        ),
        installed=TURBINE,
        recommended=STATIC,
        year=year(),
        files=(SourceFile("fixed-network", "reads.csv", "abcdef0123", 8760, 3),),
        units="us",
    )
    return replace(made, **changes)
