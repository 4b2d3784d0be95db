"""Meters without a verdict: who is referred to engineering review, and who is not."""

from __future__ import annotations

import duckdb
import polars as pl
import pytest

from pipelines.store.resources import sql_text

METER = {
    "account_id": "A1", "meter_id": "M1", "customer_name": None, "area": None,
    "service_address": None, "customer_class": "office", "service_kind": "domestic",
    "installed_type": "turbine", "installed_size_in": 2.0, "code": "no_registration",
    "message": "registered nothing",
}  # fmt: skip


def action_of(finding: str | None = None, **changes: object) -> str:
    """Action of one meter that was refused, with a finding or none."""
    refused = pl.DataFrame([METER | changes], infer_schema_length=None)
    found = pl.DataFrame(
        {
            "account_id": ["A1", "A2"],
            "meter_id": ["M1", "M2"],
            "code": [finding, "stopped_meter"],
        }
    )
    with duckdb.connect() as connection:
        connection.register(
            "service_frame", refused.select("account_id", "meter_id").to_arrow()
        )
        connection.register("not_assessed_block", refused.to_arrow())
        connection.register("finding_block", found.to_arrow())
        connection.register(
            "recommendation_block", found.select("account_id", "meter_id").clear().to_arrow()
        )
        connection.execute(sql_text("70_publish/unassessed"))
        [[action]] = connection.execute("select action from unassessed").fetchall()
    return str(action)


@pytest.mark.parametrize(
    ("finding", "changes", "action"),
    [
        (None, {}, "keep"),
        ("part_year", {}, "keep"),
        ("stopped_meter", {}, "refer"),
        (None, {"service_kind": "fire"}, "refer"),
        (None, {"service_kind": "combined"}, "refer"),
        (None, {"installed_type": "fire_service"}, "refer"),
        (None, {"service_kind": "unknown"}, "keep"),
    ],
)
def test_stopped_meters_and_fire_lines_are_referred(
    finding: str | None, changes: dict[str, object], action: str
) -> None:
    assert action_of(finding, **changes) == action
