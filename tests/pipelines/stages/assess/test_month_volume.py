"""Volumes month by month, beside an account's bills: sums of the reads themselves."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipelines.stages.assess.month_volume import month_volume
from pipelines.store.workspace import Workspace
from tests.pipelines.stages.profile.test_profile_statistics import (
    FEBRUARY,
    JANUARY,
    hourly,
    put,
    run,
)

ROUNDING = 1e-9  # sums of a few hundred terms in another order


@pytest.fixture
def workspace(tmp_path: Path) -> Workspace:
    made = Workspace(tmp_path / "workspace")
    made.create()
    return made


def stays(*rows: tuple[str, str, dt.date | None, dt.date | None]) -> pl.DataFrame:
    schema = {
        "account_id": pl.String,
        "meter_id": pl.String,
        "installed_on": pl.Date,
        "removed_on": pl.Date,
    }
    return pl.DataFrame(rows, schema=schema, orient="row")


def test_a_month_is_the_sum_of_its_reads_estimates_told_apart(workspace: Workspace) -> None:
    gal = np.random.default_rng(4).integers(0, 90, 31 * 24).astype(float)
    reads = hourly("M1", JANUARY, gal).with_columns(
        quality=pl.when(pl.int_range(pl.len()) < 48)
        .then(pl.lit("estimated"))
        .otherwise(pl.lit("measured"))
    )
    put(workspace, "2025-01", "a", reads)
    put(workspace, "2025-02", "b", hourly("M1", FEBRUARY, np.full(240, 5.0)))
    found = month_volume(workspace, run(workspace).folders, stays(("A1", "M1", None, None)))
    assert found["month"].to_list() == ["2025-01", "2025-02"]
    assert found["registered_gal"].to_list() == pytest.approx([gal.sum(), 1200.0], rel=ROUNDING)
    assert found["estimated_gal"].to_list() == pytest.approx([gal[:48].sum(), 0], rel=ROUNDING)
    assert found["days_covered"].to_list() == pytest.approx([31, 10])


def test_a_meter_taken_out_counts_at_its_account_until_it_went(workspace: Workspace) -> None:
    """PLANTED: M1 serves A1 to 20 January, then A2; M2 comes to A1. No read counts twice."""
    put(workspace, "2025-01", "a", hourly("M1", JANUARY, np.full(20 * 24, 1.0)))
    put(workspace, "2025-01", "b", hourly("M2", JANUARY.replace(day=21), np.full(264, 2.0)))
    put(workspace, "2025-02", "c", hourly("M1", FEBRUARY, np.full(240, 3.0)))
    changed = dt.date(2025, 1, 20)
    found = month_volume(
        workspace,
        run(workspace).folders,
        stays(
            ("A1", "M1", None, changed),
            ("A1", "M2", changed, None),
            ("A2", "M1", dt.date(2025, 2, 1), None),
        ),
    )
    rows = found.select("account_id", "meter_id", "month", "registered_gal").rows()
    assert rows == [
        ("A1", "M1", "2025-01", 480.0),
        ("A1", "M2", "2025-01", 528.0),
        ("A2", "M1", "2025-02", 720.0),
    ]
