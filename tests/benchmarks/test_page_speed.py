"""Site pages of a year of 15 min reads: one from a cold start, and 500 in one call.

Run by hand: `python -m pytest -m bench -s tests/benchmarks/test_page_speed.py`; floors 2 s and
3 min on two free cores; on a shared machine read the processor seconds, not the clock. The
baseline is the start of the command line itself (`rightsize --help`) and, for many pages, as
many single calls.
"""

from __future__ import annotations

import datetime as dt
import os
import resource
import subprocess
import sys
import time
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import pytest

from pipelines.store.lake_partition import LakePartition
from pipelines.store.workspace import Workspace
from tests.pipelines.pages.evidence_fleet import make_fleet

PAGES = 500
STEP_MIN = 15
REPOSITORY = Path(__file__).parents[2]


def _write_year(workspace: Workspace, meters: list[str], buckets: int) -> None:
    """A year of 15 min reads of every meter, a file a month and bucket."""
    rng = np.random.default_rng(3)
    with duckdb.connect() as connection:
        placed = dict(
            connection.execute(
                "select m, (md5_number_lower(m) % $b)::integer from unnest($m) as t(m)",
                {"m": meters, "b": buckets},
            ).fetchall()
        )
    for month in range(1, 13):
        first = dt.datetime(2025, month, 1, 7, tzinfo=dt.UTC)
        last = dt.datetime(2025 + month // 12, month % 12 + 1, 1, 7, tzinfo=dt.UTC)
        starts = pl.datetime_range(
            first, last, f"{STEP_MIN}m", closed="left", time_zone="UTC", eager=True
        ).alias("start_at")
        for bucket in range(buckets):
            names = [m for m in meters if placed[m] == bucket]
            frame = pl.DataFrame({"meter_id": names}).join(starts.to_frame(), how="cross")
            folder = (
                workspace.lake / LakePartition("interval", f"2025-{month:02d}", bucket).path
            )
            folder.mkdir(parents=True, exist_ok=True)
            frame.with_columns(
                interval_min=pl.lit(float(STEP_MIN), dtype=pl.Float32),
                registered_gal=pl.Series(rng.gamma(0.4, 8.0, frame.height).round(0)),
                quality=pl.lit("measured"),
                peak_register_gpm=pl.lit(None, dtype=pl.Float32),
                landed_seq=pl.lit(1, dtype=pl.Int32),
                source_line=pl.int_range(2, pl.len() + 2, dtype=pl.Int64),
            ).write_parquet(folder / f"file{month}.parquet")


def _timed(config: Path, *words: str) -> tuple[float, float]:
    command = [sys.executable, "-m", "pipelines.cli", *words]
    environment = os.environ | {"PYTHONPATH": str(REPOSITORY)}
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
    subprocess.run(
        command, check=True, cwd=config.parent, env=environment, stdout=subprocess.DEVNULL
    )
    clock = time.monotonic() - began
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return clock, spent


@pytest.mark.bench
def test_site_pages_of_a_year_of_quarter_hours(tmp_path):
    fleet = make_fleet(tmp_path, accounts=600)
    for old in fleet.workspace.interval_reads.rglob("*.parquet"):
        old.unlink()
    _write_year(fleet.workspace, [f"M{k:06d}" for k in range(600)], buckets=4)
    config = fleet.loaded.path
    wanted = [a for a in fleet.accounts if a.startswith("A0")][:PAGES]
    start = _timed(config, "--help")
    _timed(config, "evidence", config.name, wanted[0])
    one = [_timed(config, "evidence", config.name, a) for a in wanted[1:4]]
    many = _timed(config, "evidence", config.name, *wanted)
    print(f"\n`--help`: {start[0]:.2f} s ({start[1]:.2f} processor s)")
    for clock, spent in one:
        print(f"one page: {clock:.2f} s ({spent:.2f} processor s)")
    print(
        f"{PAGES} pages in one call: {many[0]:.0f} s ({many[1]:.0f} processor s), "
        f"{many[1] / PAGES:.2f} processor s a page, "
        f"{PAGES * one[-1][1] / many[1]:.1f} times as fast as single calls"
    )
    pages = list((fleet.workspace.published / "sites").glob("*.html"))
    assert len(pages) >= PAGES
