"""Sums of linear algebra are the same on machines of any number of cores."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

PROJECT = Path(__file__).resolve().parents[2]
ASK = "import pipelines.cli, os; print(os.environ['OPENBLAS_NUM_THREADS'])"


def test_linear_algebra_works_on_one_thread_before_numpy_is_loaded():
    plain = {k: v for k, v in os.environ.items() if not k.endswith("_NUM_THREADS")}
    said = subprocess.run(
        [sys.executable, "-c", ASK],
        cwd=PROJECT,
        env=plain,
        capture_output=True,
        text=True,
        check=True,
    )
    assert said.stdout.strip() == "1"
