"""A second sweep, and one that is stopped, leave the published results as they are."""

from __future__ import annotations

import hashlib
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.acceptance.demo_run import Swept, ask, results_of, run

PROJECT = Path(__file__).resolve().parents[2]
PATIENCE_S = 120
STOPPED = 130  # what a shell expects of a program that Ctrl-C ended


def digest(folder: Path) -> str:
    return hashlib.sha256(results_of(folder).read_bytes()).hexdigest()


@pytest.fixture(scope="module")
def swept_once(swept: Swept, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the demo and its workspace after the first sweep, times of files kept."""
    folder = tmp_path_factory.mktemp("again") / "demo"
    shutil.copytree(swept.folder, folder, symlinks=True)
    return folder


def test_a_second_sweep_changes_nothing_and_says_so(swept_once: Path):
    before = digest(swept_once)
    again = run("sweep", swept_once / "sweep.yaml")
    assert again.code == 0
    assert "Nothing new" in again.text
    assert digest(swept_once) == before


def test_stopping_a_sweep_leaves_the_previous_results_readable(swept_once: Path):
    before = digest(swept_once)
    meters = swept_once / "meters.csv"
    listed = meters.read_text()
    one = {"account_id": "A-1", "meter_id": "M-1", "meter_type": "displacement", "size_in": "1"}
    names = listed.splitlines()[0].split(",")
    meters.write_text(listed + ",".join(one.get(name, "") for name in names) + "\n")
    process = subprocess.Popen(
        [sys.executable, "-m", "pipelines.cli", "sweep", str(swept_once / "sweep.yaml")],
        cwd=PROJECT,
        stderr=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        text=True,
        start_new_session=True,
    )
    _wait_until_it_works(swept_once)
    os.killpg(process.pid, signal.SIGINT)
    _, told = process.communicate(timeout=PATIENCE_S)
    meters.write_text(listed)
    assert process.returncode == STOPPED
    assert "stopped" in told
    assert "Traceback" not in told
    assert digest(swept_once) == before
    assert ask(swept_once, "select count(*) from latest_recommendation")[0][0] > 0


def test_what_changed_is_swept_again_beside_the_history(swept_once: Path):
    tariff = swept_once / "tariff.yaml"
    tariff.write_text(tariff.read_text().replace("5.10", "9.90"))
    again = run("sweep", swept_once / "sweep.yaml")
    assert again.code == 0
    assert "Nothing new" not in again.text
    assert ask(swept_once, "select count(*) from sweep") == [(2,)]


def _wait_until_it_works(folder: Path) -> None:
    """Until the process holds the workspace: imports are over, stages have begun."""
    lock = folder / "workspace/sweep.lock"
    until = time.monotonic() + PATIENCE_S
    while not lock.read_text():
        assert time.monotonic() < until, "the sweep never began"
        time.sleep(0.01)
