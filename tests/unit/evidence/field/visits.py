"""Visits and work orders for tests of the field's papers."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

from pipelines.configuration.load_catalogue import load_service_rules
from rightsize.campaign.visit import Visit
from rightsize.evidence.field.work_order import WorkOrder
from rightsize.evidence.site import SiteEvidence
from tests.unit.evidence.sites import site

MONDAY = dt.date(2026, 2, 2)
VISIT = Visit(
    account_id="A-1",
    meter_id="M-1",
    kind="flow_logging",
    week_start_on=MONDAY,
    area="Old Town",
    crew=1,
    logger_count=1,
    duration_days=14.0,
    expected_gain_usd=900.0,
    cost_usd=150.0,
    net_usd=750.0,
    reason="probability 0.41 of another decision",
)


def visit(**changes: Any) -> Visit:
    return replace(VISIT, **changes)


def order(place: SiteEvidence | None = None, **changes: Any) -> WorkOrder:
    held = place or site(bands=(), year=None, listed={"service_line_in": 2.0})
    return WorkOrder(visit(**changes), held, load_service_rules().of("handbook_44"))
