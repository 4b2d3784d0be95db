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
from dataclasses import dataclass
from pathlib import Path

import duckdb
import pytest

from tests.pipelines.exports import Utility

pytestmark = pytest.mark.bench

METERS = int(os.environ.get("RIGHTSIZE_BENCH_METERS", "10000"))

_MEASURE = """
import resource
used = resource.getrusage(resource.RUSAGE_SELF)
status = dict(line.split(":", 1) for line in open("/proc/self/status"))
print(int(status["VmHWM"].split()[0]) / 2**20, used.ru_utime + used.ru_stime)
"""
_LAND = (
    """
import sys
from pathlib import Path
from pipelines.configuration.load_settings import load
from pipelines.stages.land.land import land
from pipelines.store.workspace import Workspace
loaded = load(Path(sys.argv[1]))
summary = land(loaded, Workspace(loaded.workspace_root))
print(summary.rows_landed, summary.rows_accepted, summary.rows_rejected)
"""
    + _MEASURE
)
_COPY = (
    """
import sys, duckdb
c = duckdb.connect()
c.execute(f"copy (from read_csv('{sys.argv[1]}')) to '{sys.argv[2]}' (format parquet)")
"""
    + _MEASURE
)
_WRITE = (
    """
import sys
from pathlib import Path
from tests.benchmarks.test_land_speed import write_reads
write_reads(Path(sys.argv[1]), *map(int, sys.argv[2:]))
"""
    + _MEASURE
)


@dataclass(frozen=True)
class Run:
    """What a child process took [s, GiB, s of processor] and printed."""

    seconds: float
    peak_gib: float
    processor_s: float
    printed: list[str]


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


def timed(script: str, *arguments: Path | int) -> Run:
    """Run a script in a process of its own, so that its peak memory is its own."""
    began = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-c", script, *map(str, arguments)],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(__file__).resolve().parents[2],
    )
    seconds = time.monotonic() - began
    *printed, measured = done.stdout.splitlines()
    peak_gib, processor_s = map(float, measured.split())
    return Run(seconds, peak_gib, processor_s, " ".join(printed).split()[-3:])


def test_landing_against_a_bare_copy(tmp_path: Path) -> None:
    utility = Utility(tmp_path, {}, more={"buckets": 32})
    reads = utility.folder / "exports" / "reads.csv"
    timed(_WRITE, reads, METERS, 24 * 150, 720)
    copy = timed(_COPY, reads, tmp_path / "bare.parquet")
    landing = timed(_LAND, utility.loaded.path)
    print(
        f"\n{METERS * 720:,} reads, {reads.stat().st_size / 1e9:.2f} GB of CSV: "
        f"bare copy {copy.seconds:.1f} s ({copy.processor_s:.1f} s of processor, "
        f"{copy.peak_gib:.2f} GiB), landing {landing.seconds:.1f} s "
        f"({landing.processor_s:.1f} s, {landing.peak_gib:.2f} GiB), "
        f"ratio {landing.seconds / copy.seconds:.2f} "
        f"(of processor time {landing.processor_s / copy.processor_s:.2f})"
    )
    assert landing.printed == [str(METERS * 720), str(METERS * 720), "0"]


def test_a_new_day_against_history(tmp_path: Path) -> None:
    """The same new day with one and with twelve months of daily files behind it."""
    meters = max(METERS // 10, 100)
    runs: dict[int, Run] = {}
    for months in (1, 12):
        utility = Utility(tmp_path / str(months), {})
        days = round(months * 30.4)
        for day in range(days):
            name = utility.folder / "exports" / f"reads-{day:04d}.csv"
            write_reads(name, meters, 24 * day, 24)
        timed(_LAND, utility.loaded.path)
        write_reads(utility.folder / "exports" / f"reads-{days:04d}.csv", meters, 24 * days, 24)
        runs[months] = timed(_LAND, utility.loaded.path)
    print(
        f"\none new day of {meters:,} meters: "
        f"{runs[1].seconds:.2f} s with 1 month of history, "
        f"{runs[12].seconds:.2f} s with 12, ratio {runs[12].seconds / runs[1].seconds:.2f} "
        f"(processor {runs[1].processor_s:.2f} s and {runs[12].processor_s:.2f} s)"
    )
