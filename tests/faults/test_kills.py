"""`kill -9` at random moments of sweep, evidence, program and verify.

Published results can be read at every moment, the next sweep publishes what an undisturbed one
does, and nothing is left behind: no temporary file, spill or lock. `RIGHTSIZE_KILLS` sets how
many kills the long run makes.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.faults.told import logged_utility, told

REPOSITORY = Path(__file__).parents[2]
LONG = int(os.environ.get("RIGHTSIZE_KILLS", "100"))
SEED = int(os.environ.get("RIGHTSIZE_KILL_SEED", "1"))
PATIENCE_S = 7200  # a child that hangs fails the test instead of stopping the run


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A swept utility of two layouts and a flow log, with rejected rows."""
    root = tmp_path_factory.mktemp("kills")
    config = logged_utility(root / "base", buckets=2)
    assert told("sweep", config, "--workers", "1").code in (0, 3)
    return root


def kills(root: Path, count: int, seed: int) -> dict:
    child = subprocess.run(
        [sys.executable, "-m", "tests.faults.kill_child", str(root), str(count), str(seed)],
        stdout=subprocess.PIPE,
        text=True,
        cwd=REPOSITORY,
        timeout=PATIENCE_S,
        env=os.environ | {"PYTHONPATH": str(REPOSITORY), "POLARS_MAX_THREADS": "2"},
        check=True,
    )
    found: dict = json.loads(child.stdout.splitlines()[-1])
    print(found)
    return found


@pytest.mark.heavy_ci
@pytest.mark.heavy
def test_a_few_kills_leave_whole_results_and_nothing_else(base: Path):
    found = kills(base, 3, seed=7)
    assert not found["broken"]
    assert found["died"] >= 2  # a kill that never comes proves nothing


@pytest.mark.heavy
def test_many_kills_leave_whole_results_and_nothing_else(base: Path, tmp_path: Path):
    (tmp_path / "base").symlink_to(base / "base")
    found = kills(tmp_path, LONG, SEED)
    assert not found["broken"]
    assert found["died"] >= LONG * 0.8
