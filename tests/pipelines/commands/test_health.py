"""Monitoring is told the truth: each check both ways."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from pipelines.commands.health import Health, Limits, State, as_json, health
from pipelines.configuration.load_settings import Loaded, load
from pipelines.store.warehouse import work_database
from pipelines.store.workspace import Workspace
from pipelines.sweep.sweep import run_sweep
from rightsize.errors import ValidationError
from tests.pipelines.small_utility import add_export, quick_utility

DAY_S = 86_400


@pytest.fixture(scope="module")
def swept(tmp_path_factory: pytest.TempPathFactory) -> Loaded:
    loaded = load(quick_utility(tmp_path_factory.mktemp("health") / "utility"))
    run_sweep(loaded, workers=2)
    return loaded


def states(found: Health) -> dict[str, State]:
    return {check.name: check.state for check in found.checks}


def text(found: Health, name: str) -> str:
    return next(check.text for check in found.checks if check.name == name)


def test_a_swept_workspace_is_well_and_says_what_its_stages_cost(swept: Loaded):
    found = health(swept, Limits(min_free_gb=0))
    assert found.state is State.ok, found.checks
    costs = {row["stage"]: row for row in found.stages}
    assert list(costs) == [
        "land", "validate", "profile", "logs", "learn", "verify", "assess", "reconcile",
        "publish", "pages",
    ]  # fmt: skip
    assert costs["land"]["row_count"] > 1000
    assert costs["assess"]["row_count"] == 11  # HAND: meters.csv holds 12, one is removed
    assert all(row["peak_mb"] > 50 and row["duration_s"] > 0 for row in costs.values())
    told = json.loads(as_json(found))
    assert told["state"] == "ok"
    assert {c["name"] for c in told["checks"]} == set(states(found))


def test_a_workspace_without_a_sweep_is_failing(tmp_path: Path):
    found = health(load(quick_utility(tmp_path / "utility")), Limits(min_free_gb=0))
    assert states(found)["last sweep"] is State.failing
    assert "unread files: 2," in text(found, "backlog")


def test_an_old_sweep_fails_and_a_young_one_does_not(swept: Loaded):
    assert states(health(swept, Limits(max_age_hours=0)))["last sweep"] is State.failing
    assert states(health(swept, Limits(max_age_hours=1)))["last sweep"] is State.ok


def test_a_full_disk_fails(swept: Loaded):
    assert states(health(swept, Limits(min_free_gb=1e9)))["disk"] is State.failing
    assert states(health(swept, Limits(min_free_gb=0)))["disk"] is State.ok


def test_files_that_wait_too_long_fail(tmp_path: Path):
    config = quick_utility(tmp_path / "utility")
    loaded = load(config)
    run_sweep(loaded, workers=2)
    assert states(health(loaded))["backlog"] is State.ok
    add_export(config.parent)
    assert states(health(loaded))["backlog"] is State.ok
    assert "unread files: 1," in text(health(loaded), "backlog")
    late = config.parent / "exports" / "reads_2025-02.csv.gz"
    long_ago = time.time() - 3 * DAY_S
    os.utime(late, (long_ago, long_ago))
    assert states(health(loaded))["backlog"] is State.failing


def test_a_held_workspace_names_its_holder_and_a_long_hold_fails(swept: Loaded):
    with Workspace(swept.workspace_root).hold("monthly"):
        assert f"held by monthly, process {os.getpid()}" in text(health(swept), "lock")
        assert states(health(swept))["lock"] is State.ok
        assert states(health(swept, Limits(max_hold_hours=0)))["lock"] is State.failing
    assert text(health(swept), "lock") == "free"


def test_a_killed_sweep_is_told_from_one_at_work(swept: Loaded):
    workspace = Workspace(swept.workspace_root)
    with work_database(workspace) as work:
        work.execute(
            "insert into ledger.sweep_run values"
            " ('99990101T000000.0Z', 'nightly', 'here', 1, now(), null, 'running', null, null)"
        )
    try:
        assert states(health(swept))["last run"] is State.failing
        assert "but its process is gone" in text(health(swept), "last run")
        with workspace.hold():
            assert states(health(swept))["last run"] is State.ok
    finally:
        with work_database(workspace) as work:
            work.execute("delete from ledger.sweep_run where sweep_id like '9999%'")


def test_a_ledger_that_a_sweep_is_writing_is_left_alone(swept: Loaded):
    """DuckDB lets one process write: health asks the file of another process."""
    workspace = Workspace(swept.workspace_root)
    code = (
        "import duckdb, sys; c = duckdb.connect(sys.argv[1]);"
        " print('open', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(workspace.database)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as writer:
        assert writer.stdout is not None
        assert writer.stdout.readline() == "open\n"
        found = health(swept, Limits(min_free_gb=0))
        writer.communicate("")
    assert found.state is State.ok
    assert "in use by a running sweep" in text(found, "ledger")
    assert states(found)["last sweep"] is State.ok


def test_a_file_that_stopped_a_sweep_stops_the_next_until_it_is_let_pass(tmp_path: Path):
    config = quick_utility(tmp_path / "utility")
    spoilt = config.parent / "exports" / "reads_2025-03.csv"
    spoilt.write_text("meter_id,interval_end,volume,quality\n" + "X,never,many,A\n" * 20)
    settings = config.read_text()
    config.write_text(settings + "failed_suite: stop\n")
    for _ in range(2):
        with pytest.raises(ValidationError, match="reads_2025-03"):
            run_sweep(load(config), workers=2)
        found = health(load(config))
        assert states(found)["last run"] is State.failing
        assert "rejected share" in text(found, "last run")
    config.write_text(settings)
    assert run_sweep(load(config), workers=2).published is not None
    found = health(load(config))
    assert states(found)["last run"] is State.ok
    assert states(found)["validation"] is State.warning
