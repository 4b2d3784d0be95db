"""Short commands load no library that they do not need: an import costs more than a query."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

HEAVY = {
    "altair", "dask", "fsspec", "great_expectations", "jinja2", "pandas", "polars", "prefect",
    "scipy", "vl_convert",
}  # fmt: skip
"""What each takes a tenth of a second or more to import, alone or with what it brings."""

BEYOND_SWEEP = {"altair", "dask", "great_expectations", "prefect"}


def loaded_by(statement: str) -> set[str]:
    """The top-level modules that a new process has after a statement."""
    code = f"{statement}\nimport json, sys\nprint(json.dumps(sorted(sys.modules)))"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, check=True, text=True, timeout=60
    )
    return {name.partition(".")[0] for name in json.loads(done.stdout)}


@pytest.mark.parametrize(
    "statement",
    [
        "import pipelines.cli",
        "import pipelines.configuration.load_settings",
        "import pipelines.commands.query, pipelines.work.stop",
        "import pipelines.commands.console",
    ],
)
def test_a_query_and_a_help_text_load_no_heavy_library(statement: str) -> None:
    assert loaded_by(statement) & HEAVY == set()


def test_a_sweep_loads_none_of_what_one_stage_or_the_service_needs() -> None:
    assert loaded_by("import pipelines.sweep.sweep") & BEYOND_SWEEP == set()
