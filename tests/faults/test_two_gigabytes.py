"""Two gigabytes of good lines and one bad one: named by file and line, the rest lands.

Run by hand: `python -m pytest -m heavy -s tests/faults/test_two_gigabytes.py`.
"""

from __future__ import annotations

import subprocess
import sys
import time
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from tests.pipelines.exports import Utility

pytestmark = pytest.mark.heavy

ROOT = Path(__file__).resolve().parents[2]
PARTLY = 3
METERS, LEAST_BYTES = 20_000, 2 * 10**9
STAMP = b"YYYY-MM-DD HH:MM"
BEGIN = datetime(2025, 4, 1, 1)
BAD = b"M0000007,2025-05-20 07:00,twelve,A\n"


def write_export(path: Path) -> tuple[int, int]:
    """Blocks of one hour until the file is large enough, one bad line in the middle.

    Returns
    -------
    tuple of int
        Good rows, and the number of the bad line.
    """
    block = b"".join(b"M%07d,%s,%d.5,A\n" % (m, STAMP, m % 90) for m in range(METERS))
    hours = LEAST_BYTES // len(block) + 1
    with path.open("wb") as handle:
        handle.write(b"meter_id,interval_end,volume,quality\n")
        for hour in range(hours):
            if hour == hours // 2:
                handle.write(BAD)
            at = BEGIN + timedelta(hours=hour)
            handle.write(block.replace(STAMP, at.strftime("%Y-%m-%d %H:%M").encode()))
    return hours * METERS, 1 + (hours // 2) * METERS + 1


def test_one_bad_line_in_two_gigabytes(tmp_path: Path) -> None:
    utility = Utility(tmp_path, {}, timezone="UTC", more={"buckets": 8})
    reads = utility.folder / "exports" / "reads.csv"
    good, bad_line = write_export(reads)
    assert reads.stat().st_size >= LEAST_BYTES
    began = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-m", "pipelines.cli", "sweep", str(utility.loaded.path)],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
    )
    took = time.monotonic() - began
    row = utility.ledger("from ledger.landed_file")[0]
    costs = utility.ledger("select stage, duration_s, peak_mb from ledger.stage_metric")
    stages = ", ".join(
        f"{c['stage']} {c['duration_s']:.0f} s ({c['peak_mb'] / 1e3:.2f} GB)" for c in costs
    )
    size_gb = reads.stat().st_size / 1e9
    print(f"\n{good:,} good reads, {size_gb:.2f} GB: sweep {took:.0f} s: {stages}")
    told = " ".join(done.stdout.split())
    assert done.returncode == PARTLY, done.stderr[-2000:]
    assert f"reads.csv line {bad_line}" in told
    assert (row["rows_landed"], row["rows_accepted"], row["rows_rejected"]) == (
        good + 1,
        good,
        1,
    )
    refused = [(r["source_line"], r["rule"], r["value"]) for r in utility.rejected()]
    assert refused == [(bad_line, "volume_unreadable", "twelve")]
