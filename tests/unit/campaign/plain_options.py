"""Options of a campaign with round figures, for tests."""

from __future__ import annotations

from typing import Any

import numpy as np

from rightsize.campaign.learning_options import Limits, Options


def options(
    gains: list[float],
    *,
    weeks: int = 2,
    kind: str = "night_logging",
    cost_usd: float = 100.0,
    hours: float = 2.0,
    days: float = 2.0,
    area: list[str] | None = None,
    customer_class: list[str] | None = None,
    site: list[str] | None = None,
    season: np.ndarray | None = None,
) -> Options:
    """One option a site unless `site` says otherwise."""
    count = len(gains)
    names = np.array(site or [f"A{k}" for k in range(count)])
    return Options(
        account_id=names,
        meter_id=np.char.add("M", names),
        area=np.array(area or [""] * count),
        customer_class=np.array(customer_class or ["office"] * count),
        kind=np.array([kind] * count),
        gain_usd=np.array(gains, dtype=float),
        cost_usd=np.full(count, cost_usd),
        visit_hours=np.full(count, hours),
        logger_days=np.full(count, days),
        is_in_season=np.ones((count, weeks), bool) if season is None else season,
    )


def limits(**changes: Any) -> Limits:
    """Plenty of everything but what a test changes; no trips, nothing transfers."""
    usual: dict[str, Any] = {
        "logger_count": 1,
        "week_count": 2,
        "budget_usd": 1e5,
        "crew_count": 1,
        "crew_hours_per_week": 40.0,
        "area_trip_hours": 0.0,
        "area_trip_usd": 0.0,
        "class_half_logs": 3.0,
        "class_common_share": 0.0,
    }
    return Limits(**(usual | changes))
