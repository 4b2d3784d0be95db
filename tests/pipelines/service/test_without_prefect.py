"""A plain installation has no Prefect: everything but `schedule` does without it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.pipelines.exports import HEADER, Utility, hourly

WITHOUT = """
import sys
sys.modules["prefect"] = sys.modules["prefect_dask"] = None  # as if they were not installed
from pipelines.cli import main
main()
"""


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", WITHOUT, *arguments],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )


@pytest.fixture
def config(tmp_path: Path) -> Path:
    utility = Utility(tmp_path, {"layout": "interval", "unit": "gal", "interval_min": 60})
    utility.write("reads.csv", HEADER + hourly("M1", "2025-06-01", range(3)))
    return utility.loaded.path


def test_a_sweep_needs_no_prefect(config: Path) -> None:
    done = run("sweep", str(config))
    assert "Meters by verdict" in done.stdout, done.stderr
    assert done.returncode in (0, 3)  # 3: an account of three reads is not assessed


def test_schedule_says_what_to_install(config: Path) -> None:
    done = run("schedule", str(config))
    assert done.returncode == 2
    assert "pip install 'rightsize[service]'" in done.stderr
    assert "Traceback" not in done.stderr
