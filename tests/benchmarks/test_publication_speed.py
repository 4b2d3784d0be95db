"""Publication of 100,000 accounts, first and with a history, against a bare load of the blocks.

Run by hand: `python -m pytest -m bench -s tests/benchmarks/test_publication_speed.py`; floor
10 s on two free cores; on a shared machine read the processor seconds, not the clock.
"""

from __future__ import annotations

import resource
import time
from collections.abc import Callable
from pathlib import Path

import duckdb
import pytest

from pipelines.stages.reconcile import block_files
from rightsize.contracts.results import BLOCK_TABLES
from tests.pipelines.published_sweep import put_out
from tests.pipelines.stages.publish.synthetic_sweep import SyntheticSweep, make_sweep

ACCOUNTS = 100_000
CANDIDATES = 36  # of the shipped catalogue
BANDS = 24  # published bands that hold volume


def _timed(work: Callable[[], object]) -> tuple[float, float]:
    clock, processor = time.monotonic(), time.process_time()
    work()
    return time.monotonic() - clock, time.process_time() - processor


def _bare_load(sweep: SyntheticSweep, path: Path) -> None:
    with duckdb.connect(str(path)) as connection:
        for table in BLOCK_TABLES:
            files = block_files(sweep.workspace, sweep.record.sweep_id, table)
            connection.execute(
                f"create table {table.name} as select * from read_parquet($files)",
                {"files": files},
            )
        connection.execute("checkpoint")


@pytest.mark.bench
def test_publication_of_a_large_fleet(tmp_path):
    for number in (1, 2, 3, 4):
        sweep = make_sweep(
            tmp_path, number, accounts=ACCOUNTS, candidates=CANDIDATES, bands=BANDS, blocks=25
        )
        bare = _timed(lambda s=sweep, k=number: _bare_load(s, tmp_path / f"bare{k}.duckdb"))
        took = _timed(lambda s=sweep: put_out(s))
        size = sweep.workspace.results.stat().st_size / 1e6
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
        print(
            f"\nsweep {number}: reconciled and published in {took[0]:.1f} s "
            f"({took[1]:.1f} processor s), {took[1] / bare[1]:.1f} times the bare load "
            f"({bare[0]:.1f} s, {bare[1]:.1f} processor s); file {size:,.0f} MB, "
            f"memory {peak:.1f} GB"
        )
