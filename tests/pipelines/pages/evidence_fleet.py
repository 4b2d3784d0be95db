"""A published fleet with reads in its lake, small and made up, for tests of pages.

The results are those of the synthetic sweep; some accounts get names that would do harm on a
page that does not escape them. Each meter draws by one rule, so that sums are known by hand.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
from dataclasses import dataclass, replace
from pathlib import Path

import duckdb
import numpy as np
import polars as pl

from pipelines.configuration.load_catalogue import load_catalogue
from pipelines.configuration.load_settings import Loaded, load
from pipelines.stages.publish.publish import publish
from pipelines.stages.reconcile import reconcile
from pipelines.store.lake_partition import LakePartition
from pipelines.store.workspace import Workspace
from rightsize.contracts.results import BLOCK_TABLES
from rightsize.units import UnitSystem
from tests.pipelines.stages.publish.change_outs import with_change_outs
from tests.pipelines.stages.publish.synthetic_sweep import make_sweep, write_blocks

HOSTILE = {
    "A000000": "<script>document.title='harmed'</script>",
    "A000001": "\"'><img src=x onerror=\"document.title='harmed'\">",
    "A000002": "../../../etc/passwd",
    "A000003": "a\u202eb\u2066c/\\:*?|\u0000d".replace("\u0000", ""),
    "A000004": "N" * 300,
    "A000005": "</style></script><script>document.title='harmed'</script>",
    "A000006": "{{ 7 * 7 }} ${7*7}",
}
FIRST_DAY = dt.date(2025, 1, 1)
DAYS = 59
PEAK_DAY = 20  # drawn three times as much
HOURS = tuple(1.0 if hour < 6 else 10.0 for hour in range(24))  # gal in an hour


@dataclass(frozen=True)
class PublishedFleet:
    """Where it lies, and its configuration."""

    loaded: Loaded
    workspace: Workspace
    accounts: tuple[str, ...]


def make_fleet(root: Path, *, accounts: int = 40, units: UnitSystem = "us") -> PublishedFleet:
    """Publish the fleet below `root`, with a configuration beside it."""
    documents = {
        "config": {"utility": "Larkmoor Water"},
        "catalogue": [dataclasses.asdict(m) for m in load_catalogue(None).meters],
        "thresholds": {},
    }
    sweep = make_sweep(root / "workspace", accounts=accounts, changes={"documents": documents})
    names = pl.col("account_id").replace(HOSTILE)
    frames = {}
    for table in BLOCK_TABLES:
        frame = sweep.frames[table.name]
        if "account_id" in frame.columns:
            frame = frame.with_columns(names)
        if table.name in ("recommendation", "not_assessed"):
            frame = frame.with_columns(
                customer_name=pl.col("account_id"), area=pl.lit("Old Town")
            )
        frames[table.name] = frame
        write_blocks(sweep.workspace, sweep.record, table, frame)
    service = sweep.inputs.service.with_columns(names)
    gains = with_change_outs(sweep).inputs.realised_gain.with_columns(names)
    inputs = replace(sweep.inputs, service=service, realised_gain=gains)
    counts = reconcile(sweep.workspace, sweep.record, inputs)
    publish(sweep.workspace, sweep.record, counts, inputs, units=units)
    write_lake(sweep.workspace, service["meter_id"].to_list(), buckets=sweep.record.buckets)
    config = root / "sweep.yaml"
    config.write_text(
        "utility: Larkmoor Water\n"
        f"units: {units}\n"
        "timezone: America/Denver\n"
        "exports: [{name: fixed-network, path: reads.csv}]\n",
        encoding="utf-8",
    )
    (root / "tariff.yaml").write_text(
        "classes: {default: {tiers: [{usd_per_kgal: 5}]}}\n", encoding="utf-8"
    )
    return PublishedFleet(load(config), sweep.workspace, tuple(service["account_id"]))


def write_lake(workspace: Workspace, meter_ids: list[str], *, buckets: int) -> None:
    """Hourly reads of two months; one day is larger, one hour stands twice, one is missing."""
    with duckdb.connect() as connection:
        placed = connection.execute(
            "select m, (md5_number_lower(m) % $b)::integer from unnest($m) as t(m)",
            {"m": meter_ids, "b": buckets},
        ).fetchall()
    for bucket in range(buckets):
        meters = [m for m, b in placed if b == bucket]
        for month in (1, 2):
            frame = reads_of(meters, month)
            folder = (
                workspace.lake / LakePartition("interval", f"2025-{month:02d}", bucket).path
            )
            folder.mkdir(parents=True, exist_ok=True)
            frame.write_parquet(folder / f"file{month}.parquet")


def reads_of(meters: list[str], month: int) -> pl.DataFrame:
    """Reads of some meters in one local month, as the lake holds them."""
    days = [
        FIRST_DAY + dt.timedelta(days=k)
        for k in range(DAYS)
        if (FIRST_DAY + dt.timedelta(days=k)).month == month
    ]
    starts = pl.Series(
        [dt.datetime(d.year, d.month, d.day, h) for d in days for h in range(24)]
    ).dt.replace_time_zone("America/Denver")
    larger = [3.0 if (d - FIRST_DAY).days == PEAK_DAY else 1.0 for d in days for _ in range(24)]
    frame = pl.DataFrame(
        {
            "start_at": starts.dt.convert_time_zone("UTC"),
            "interval_min": np.full(len(starts), 60.0, dtype=np.float32),
            "registered_gal": np.tile(HOURS, len(days)) * larger,
        }
    )
    if month == 1:
        stale = frame.head(1).with_columns(registered_gal=pl.lit(999.0))  # superseded
        frame = pl.concat([stale, frame.filter(pl.int_range(pl.len()) != 30)])  # a gap
    rows = pl.DataFrame({"meter_id": meters}, schema={"meter_id": pl.String}).join(
        frame, how="cross"
    )
    return rows.with_columns(
        quality=pl.lit("measured"),
        peak_register_gpm=pl.lit(None, dtype=pl.Float32),
        landed_seq=pl.when(pl.col("registered_gal") == 999).then(0).otherwise(1).cast(pl.Int32),
        source_line=pl.int_range(2, pl.len() + 2, dtype=pl.Int64),
    )
