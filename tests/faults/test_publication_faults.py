"""Readers in other processes never err, and SIGKILL at any step leaves a whole publication."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.pipelines.published_sweep import ask, put_out
from tests.pipelines.stages.publish.synthetic_sweep import make_sweep

REPOSITORY = Path(__file__).parents[2]
PATIENCE_S = 900  # a child that hangs fails the test instead of stopping the run


def _start(what: str, root: Path, *rest: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "tests.faults.publication_child", what, str(root), *rest]
    environment = os.environ | {"PYTHONPATH": str(REPOSITORY), "POLARS_MAX_THREADS": "1"}
    return subprocess.Popen(
        command, stdout=subprocess.PIPE, text=True, cwd=REPOSITORY, env=environment
    )


def _read_through(root: Path, publications: int, readers: int) -> list[dict]:
    put_out(make_sweep(root, 0))
    processes = [_start("read", root) for _ in range(readers)]
    assert _start("loop", root, str(publications)).wait(PATIENCE_S) == 0
    (root / "stop").touch()
    return [json.loads(p.communicate(timeout=PATIENCE_S)[0]) for p in processes]


def test_readers_see_one_whole_publication_at_every_moment(tmp_path):
    for report in _read_through(tmp_path, publications=3, readers=1):
        assert report["errors"] == []
        assert report["rounds"] >= 2
        assert report["publications"] >= 2


@pytest.mark.heavy
def test_readers_see_no_error_through_200_publications(tmp_path):
    for report in _read_through(tmp_path, publications=200, readers=3):
        print(report)
        assert report["errors"] == []
        assert report["rounds"] >= 200


def _kill_through(root: Path, stride: int) -> int:
    """Die at each `stride`-th step of a publication; how often that was."""
    put_out(make_sweep(root, 1))
    child = _start("kill", root, str(stride))
    output, _ = child.communicate(timeout=PATIENCE_S)
    assert child.returncode == 0
    published = root / "published"
    assert ask(published / "results.duckdb", "select count(*) from sweep") == [(2,)]
    assert not list(published.glob(".aside-*"))
    assert len(list((published / "parquet-versions").iterdir())) <= 2
    died: int = json.loads(output)["died"]
    return died


@pytest.mark.heavy_ci
@pytest.mark.heavy
def test_sigkill_in_publication_leaves_a_whole_one(tmp_path):
    assert _kill_through(tmp_path, stride=23) >= 3  # a watch that never fires proves nothing


@pytest.mark.heavy
def test_sigkill_at_every_step_leaves_a_whole_publication(tmp_path):
    died = _kill_through(tmp_path, stride=1)
    print(f"killed at {died} steps")
    assert died >= 50
