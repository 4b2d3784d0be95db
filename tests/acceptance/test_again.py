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

from tests.acceptance.demo_run import ask, results_of, run

PROJECT = Path(__file__).resolve().parents[2]
PATIENCE_S = 120


def digest(folder: Path) -> str:
    return hashlib.sha256(results_of(folder).read_bytes()).hexdigest()


def test_a_second_sweep_changes_nothing_and_says_so(small: Path):
    assert run("sweep", small / "sweep.yaml").code == 0
    before = digest(small)
    again = run("sweep", small / "sweep.yaml")
    assert again.code == 0
    assert "Nothing new" in again.text
    assert digest(small) == before


def test_a_changed_tariff_is_swept_again(small: Path):
    assert run("sweep", small / "sweep.yaml").code == 0
    tariff = small / "tariff.yaml"
    tariff.write_text(tariff.read_text().replace("5.10", "9.90"))
    again = run("sweep", small / "sweep.yaml")
    assert "Nothing new" not in again.text
    assert ask(small, "select count(*) from sweep") == [(2,)]


def test_stopping_a_sweep_leaves_the_previous_results_readable(small: Path):
    assert run("sweep", small / "sweep.yaml").code == 0
    before = digest(small)
    shutil.copy(small / "exports/reads_2025-03.csv.gz", small / "exports/reads_2025-04.csv.gz")
    spoil = small / "meters.csv"
    spoil.write_text(
        spoil.read_text() + "A-1,M-1,displacement,1,,,C-OFF,domestic,1,gal,1,,,,,\n"
    )
    process = subprocess.Popen(
        [sys.executable, "-m", "pipelines.cli", "sweep", str(small / "sweep.yaml")],
        cwd=PROJECT, stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    _wait_until_it_works(small)
    os.killpg(process.pid, signal.SIGINT)
    _, told = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 130
    assert "stopped" in told
    assert "Traceback" not in told
    assert digest(small) == before
    assert ask(small, "select count(*) from latest_recommendation")[0][0] > 0


def _wait_until_it_works(folder: Path) -> None:
    """Until the process holds the workspace: imports are over, stages have begun."""
    lock = folder / "workspace/sweep.lock"
    until = time.monotonic() + PATIENCE_S
    while not lock.read_text():
        assert time.monotonic() < until, "the sweep never began"
        time.sleep(0.01)
