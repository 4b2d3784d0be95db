"""What checksums cost: their processor time as a share of the work whose files they guard.

Run by hand: `python -m pytest -n 0 -m bench -s tests/benchmarks/test_checksum_cost.py`.
RIGHTSIZE_BENCH_METERS sets the size (720 reads a meter).
"""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from pipelines.stages.land.land import land
from pipelines.stages.profile.profile import profile
from pipelines.store.checksum import State, seal, state_of
from tests.benchmarks.test_land_speed import write_reads
from tests.pipelines.exports import Utility

pytestmark = pytest.mark.bench

METERS = int(os.environ.get("RIGHTSIZE_BENCH_METERS", "2000"))
ROUNDS = 20
MOST_SHARE = 0.02  # of the work: far above what is measured, far below what anyone would feel


def processor_s(work: Callable[[], object]) -> float:
    began = time.process_time()
    work()
    return time.process_time() - began


def test_checksums_against_landing_and_profiling(tmp_path: Path) -> None:
    utility = Utility(tmp_path, {}, timezone="UTC", more={"buckets": 4})
    write_reads(utility.folder / "exports" / "reads.csv", METERS, 0, 720)
    land_s = processor_s(lambda: land(utility.loaded, utility.workspace))
    lake = sorted(utility.workspace.lake.rglob("*.parquet"))
    profile_s = processor_s(lambda: profile(utility.workspace, timezone="UTC", workers=1))
    profiles = sorted(utility.workspace.profile.rglob("*.parquet"))
    size_mb = sum(p.stat().st_size for p in lake) / 1e6
    copies = [shutil.copy(p, tmp_path / f"{n}.parquet") for n, p in enumerate(lake)]
    seal_s = processor_s(lambda: [seal(Path(c)) for c in copies])
    verify_s = processor_s(lambda: [state_of(p) for _ in range(ROUNDS) for p in lake]) / ROUNDS
    of_profiles_s = processor_s(lambda: [state_of(p) for p in profiles])
    assert {state_of(p) for p in (*lake, *profiles)} == {State.whole}
    print(
        f"\n{METERS * 720:,} reads, lake {size_mb:.1f} MB in {len(lake)} files\n"
        f"written: {seal_s * 1e3:.1f} ms, {seal_s / land_s:.2%} of landing ({land_s:.2f} s)\n"
        f"verified: {verify_s * 1e3:.1f} ms, {verify_s / profile_s:.2%} of profiling"
        f" ({profile_s:.2f} s); {size_mb / 1e3 / verify_s:.1f} GB/s of one core\n"
        f"{len(profiles)} profile files verified: {of_profiles_s * 1e3:.1f} ms"
    )
    assert seal_s / land_s < MOST_SHARE
    assert verify_s / profile_s < MOST_SHARE
