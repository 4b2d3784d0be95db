"""How fast exports land: against DuckDB's bare copy to Parquet, and with a history behind.

Run by hand: `python -m pytest -m bench -s tests/benchmarks/test_land_speed.py`. Nothing is
asserted about time; the figures are printed. RIGHTSIZE_BENCH_METERS sets the size (100,000
meters of 30 days hourly are 72 million reads).
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import duckdb
import pytest

from tests.pipelines.exports import Utility

pytestmark = pytest.mark.bench

METERS = int(os.environ.get("RIGHTSIZE_BENCH_METERS", "10000"))

_LAND = """
import sys, resource
from pathlib import Path
from pipelines.load_settings import load
from pipelines.stages.land import land
from pipelines.workspace import Workspace
loaded = load(Path(sys.argv[1]))
summary = land(loaded, Workspace(loaded.workspace_root))
print(summary.rows_landed, summary.rows_accepted, summary.rows_rejected)
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""
_COPY = """
import sys, duckdb, resource
c = duckdb.connect()
c.execute("set threads = 2")
c.execute(f"copy (from read_csv('{sys.argv[1]}')) to '{sys.argv[2]}' (format parquet)")
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


def write_reads(path: Path, meters: int, first_hour: int, hours: int) -> None:
    with duckdb.connect() as connection:
        connection.execute(
            f"""
            copy (
                select
                    'M' || lpad(m::varchar, 7, '0') as meter_id,
                    strftime(
                        timestamp '2025-01-01 01:00' + to_hours({first_hour} + h),
                        '%Y-%m-%d %H:%M'
                    ) as interval_end,
                    round((hash(m * 1000 + h) % 1000) / 10.0, 1) as volume,
                    case when hash(m + h * 77) % 100 = 0 then 'E' else 'A' end as quality
                from range({meters}) as t(m), range({hours}) as u(h)
                order by h, m
            ) to '{path}' (header)
            """
        )


def timed(script: str, *arguments: Path) -> tuple[float, list[str]]:
    began = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-c", script, *map(str, arguments)],
        capture_output=True, text=True, check=True,
        cwd=Path(__file__).resolve().parents[2],
    )  # fmt: skip
    return time.monotonic() - began, done.stdout.split()


def test_landing_against_a_bare_copy(tmp_path: Path) -> None:
    utility = Utility(tmp_path, {}, more={"buckets": 32})
    reads = utility.folder / "exports" / "reads.csv"
    write_reads(reads, METERS, 24 * 150, 720)
    config = utility.loaded.path
    copy_s, copied = timed(_COPY, reads, tmp_path / "bare.parquet")
    land_s, landed = timed(_LAND, config)
    print(
        f"\n{METERS * 720:,} reads, {reads.stat().st_size / 1e9:.2f} GB of CSV: "
        f"bare copy {copy_s:.1f} s ({int(copied[-1]) / 2**20:.2f} GiB), "
        f"landing {land_s:.1f} s ({int(landed[-1]) / 2**20:.2f} GiB), "
        f"ratio {land_s / copy_s:.2f}"
    )
    assert landed[:3] == [str(METERS * 720), str(METERS * 720), "0"]


def test_a_new_day_against_history(tmp_path: Path) -> None:
    """The same new day with one and with twelve months of daily files behind it."""
    meters = max(METERS // 10, 100)
    seconds = {}
    for months in (1, 12):
        utility = Utility(tmp_path / str(months), {})
        days = round(months * 30.4)
        for day in range(days):
            name = utility.folder / "exports" / f"reads-{day:04d}.csv"
            write_reads(name, meters, 24 * day, 24)
        timed(_LAND, utility.loaded.path)
        write_reads(utility.folder / "exports" / f"reads-{days:04d}.csv", meters, 24 * days, 24)
        seconds[months], _ = timed(_LAND, utility.loaded.path)
    print(
        f"\none new day of {meters:,} meters: {seconds[1]:.2f} s with 1 month of history, "
        f"{seconds[12]:.2f} s with 12, ratio {seconds[12] / seconds[1]:.2f}"
    )
