"""The flow of meters side by side is summed from the lake, and the sweep tells it.

PLANTED: fifty days of hourly reads of one meter and 15-min reads of the other, with a gap.
"""

from __future__ import annotations

import csv
import datetime as dt
import json

import duckdb
import numpy as np
import polars as pl
import pytest

from pipelines.configuration.load_catalogue import load_catalogue
from pipelines.configuration.load_settings import load
from pipelines.stages.profile.manifold import summed_flow
from pipelines.store.lake_partition import LakePartition
from pipelines.store.workspace import Workspace
from pipelines.sweep.manifolds import manifolds_of
from pipelines.sweep.sweep import run_sweep
from rightsize.recommend.rules.own_kind import UNRECORDED
from tests.pipelines.small_utility import quick_utility

ZONE = "America/Denver"
FIRST = dt.datetime(2025, 6, 1, 6, tzinfo=dt.UTC)  # midnight in Denver
HOURS = 24 * 50
GAP = slice(100, 110)  # hours without reads of the first meter
FLOW = {"ONE": 4.0, "TWO": 6.0, "OTHER": 50.0}  # gpm, all the time


def reads(meter_id: str, step_min: int) -> pl.DataFrame:
    count = HOURS * 60 // step_min
    at = pl.datetime_range(
        FIRST, FIRST + dt.timedelta(minutes=step_min * (count - 1)), f"{step_min}m", eager=True
    )
    made = pl.DataFrame(
        {
            "meter_id": meter_id,
            "start_at": at,
            "interval_min": float(step_min),
            "registered_gal": np.full(count, FLOW[meter_id] * step_min),
            "quality": "measured",
            "peak_register_gpm": None,
            "landed_seq": 1,
            "source_line": np.arange(count) + 2,
        },
        schema_overrides={"peak_register_gpm": pl.Float64, "interval_min": pl.Float32},
    )
    lost = (pl.col("start_at") >= at[GAP.start]) & (pl.col("start_at") < at[GAP.stop])
    return made.filter(~lost) if meter_id == "ONE" else made


@pytest.fixture(scope="module")
def workspace(tmp_path_factory: pytest.TempPathFactory) -> Workspace:
    made = Workspace(tmp_path_factory.mktemp("manifold") / "workspace")
    made.create()
    for bucket, parts in enumerate(([("ONE", 60), ("OTHER", 60)], [("TWO", 15)])):
        frame = pl.concat([reads(*part) for part in parts]).with_columns(
            month=pl.col("start_at").dt.convert_time_zone(ZONE).dt.strftime("%Y-%m")
        )
        for (month,), part in frame.group_by("month"):
            folder = made.lake / LakePartition("interval", str(month), bucket).path
            folder.mkdir(parents=True)
            part.drop("month").write_parquet(folder / "a.parquet")
    return made


def members(*rows: tuple[str, int]) -> pl.DataFrame:
    return pl.DataFrame(
        [("A", "west", meter, bucket) for meter, bucket in rows],
        schema=["account_id", "group", "meter_id", "bucket"],
        orient="row",
    )


def test_the_sum_is_of_the_hours_in_which_all_report(workspace: Workspace) -> None:
    flow = summed_flow(workspace, members(("ONE", 0), ("TWO", 1)), timezone=ZONE)
    hours = flow.filter(pl.col("interval_min") == 60)
    assert hours["flow_gpm"].to_list() == pytest.approx([10.0] * (HOURS - 10))
    assert flow.filter(pl.col("interval_min") == 15).is_empty()  # one of them reads by the hour
    assert set(flow["account_id"]) == {"A"}


def test_one_meter_alone_is_its_own_sum(workspace: Workspace) -> None:
    flow = summed_flow(workspace, members(("TWO", 1)), timezone=ZONE)
    quarter = flow.filter(pl.col("interval_min") == 15)
    assert quarter["flow_gpm"].to_list() == pytest.approx([6.0] * (4 * HOURS))
    assert summed_flow(workspace, members(), timezone=ZONE).is_empty()


def test_groups_that_are_not_on_record_are_not_summed() -> None:
    """What may stand elsewhere is not added up; a meter alone in its group has no sum."""
    meters = load_catalogue().meters
    service = pl.DataFrame(
        {
            "account_id": ["A", "A", "B", "B", "C"],
            "meter_id": ["M1", "M2", "M3", "M4", "M5"],
            "manifold": ["west", "west", f"{UNRECORDED}B", f"{UNRECORDED}B", "west"],
            "meter_index": [0, 1, 0, 0, 0],
        }
    )
    (group,) = manifolds_of(service, meters)
    assert (group.account_id, group.meter_id) == ("A", ("M1", "M2"))
    assert group.smoc_gpm == (meters[0].smoc_gpm, meters[1].smoc_gpm)
    unrated = service.with_columns(meter_index=pl.lit(None, pl.Int64))
    assert manifolds_of(unrated, meters) == []


def test_a_sweep_tells_recorded_groups_at_each_meter(tmp_path) -> None:
    config = quick_utility(tmp_path / "utility")
    path = config.parent / "meters.csv"
    rows = list(csv.DictReader(path.open()))
    pair = [r for r in rows if not r["removed_on"] and r["service_kind"] == "domestic"][:2]
    for row in pair:
        row["account_id"] = pair[0]["account_id"]
    for row in rows:
        row["manifold"] = "west" if row in pair else ""
    with path.open("w", newline="") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    outcome = run_sweep(load(config), workers=1)
    with duckdb.connect(str(outcome.workspace.results), read_only=True) as held:
        told = held.sql(
            "select meter_id, evidence from finding where code like 'manifold%' order by all"
        ).fetchall()
    assert [m for m, _ in told] == sorted(r["meter_id"] for r in pair)
    assert all(json.loads(e)["meter_count"] == 2 for _, e in told)
