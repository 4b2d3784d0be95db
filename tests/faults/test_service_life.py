"""A service through what nights bring: its clock, a cancel, a stop, a kill."""

from __future__ import annotations

import json
import os
import signal
import sys
import urllib.request
from pathlib import Path
from typing import Any

import pytest

from pipelines.load_settings import load
from pipelines.sweep import run_sweep
from pipelines.workspace import Workspace
from tests.faults.service import free_port, process, rightsize, until
from tests.pipelines.quick import add_export, published_tables, quick_utility

pytestmark = pytest.mark.heavy


def results(config: Path) -> Path:
    return config.parent / "workspace" / "published" / "results.duckdb"


def ask(url: str, path: str, **body: Any) -> Any:
    request = urllib.request.Request(
        f"{url}/{path}", data=json.dumps(body).encode(),
        headers={"Content-Type": "application/json"},
    )  # fmt: skip
    with urllib.request.urlopen(request, timeout=30) as answer:
        return json.loads(answer.read() or "null")


@pytest.mark.parametrize("stage", ["profile", "publish"])
def test_a_sweep_that_was_killed_is_finished_by_the_next(stage: str, tmp_path: Path):
    config, whole = quick_utility(tmp_path / "killed"), quick_utility(tmp_path / "whole")
    run_sweep(load(whole), workers=2)
    log = config.parent / "workspace" / "logs"

    def has_begun() -> bool:
        text = "".join(p.read_text() for p in log.glob("*.jsonl"))
        return '"stage begins", "sweep": "' in text and f'"stage": "{stage}"' in text

    with process(*rightsize("sweep", config), log=tmp_path / "sweep.log") as sweep:
        until(has_begun, f"the {stage} stage")
        os.killpg(sweep.pid, signal.SIGKILL)
        assert sweep.wait(30) == -signal.SIGKILL
    assert not results(config).exists()
    dead = Workspace(config.parent / "workspace").left_behind()
    assert dead is not None
    assert dead.pid == sweep.pid
    assert run_sweep(load(config), workers=2).published is not None
    assert published_tables(config) == published_tables(whole)
    left = [p.name for p in (config.parent / "workspace").rglob(".*") if p.is_file()]
    assert not left, "nothing half made is left"


def test_a_stop_signal_ends_a_sweep_cleanly_and_soon(tmp_path: Path):
    config = quick_utility(tmp_path / "stopped")
    run_sweep(load(config), workers=2)
    before = results(config).read_bytes()
    add_export(config.parent)
    lock = config.parent / "workspace" / "sweep.lock"
    with process(*rightsize("sweep", config), log=tmp_path / "sweep.log") as sweep:
        until(lock.read_text, "the sweep to begin")
        sweep.terminate()
        assert sweep.wait(60) == 130
    told = (tmp_path / "sweep.log").read_text()
    assert "stopped; the results published before stay as they are" in told
    assert "Traceback" not in told
    assert results(config).read_bytes() == before
    assert lock.read_text() == ""


def test_the_service_sweeps_by_its_clock_and_a_cancelled_run_leaves_a_clean_state(
    tmp_path: Path,
):
    """One service: a schedule that fires each minute, then a run that is cancelled."""
    config = quick_utility(tmp_path / "service")
    home, port = tmp_path / "prefect", free_port()
    url = f"http://127.0.0.1:{port}/api"
    quiet = {
        "PREFECT_HOME": str(home), "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
        "DO_NOT_TRACK": "1", "PREFECT_API_URL": url,
    }  # fmt: skip
    server = (sys.executable, "-m", "prefect", "server", "start", "--port", str(port))
    serve = rightsize("schedule", config, "--nightly", "* * * * *", "--workers", "1")
    home.mkdir()
    with process(*server, log=tmp_path / "server.log", **quiet):
        until(lambda: _answers(f"{url}/health"), "the server")
        with process(*serve, log=tmp_path / "serve.log", **quiet):
            until(results(config).exists, "the schedule to fire and publish")
            add_export(config.parent)
            lock = config.parent / "workspace" / "sweep.lock"
            until(lambda: lock.read_text() != "", "the next night to begin")
            running = until(lambda: _runs(url, "RUNNING"), "a running flow")
            before = results(config).read_bytes()
            cancel = {"state": {"type": "CANCELLING"}, "force": True}
            ask(url, f"flow_runs/{running[0]['id']}/set_state", **cancel)
            until(lambda: _runs(url, "CANCELLED"), "the run to be cancelled")
            until(
                lambda: lock.read_text() == "" or Workspace(lock.parent).left_behind(), "free"
            )
            assert results(config).read_bytes() == before
        assert _runs(url, "COMPLETED")[0]["deployment_id"] is not None
    assert Workspace(lock.parent).holder() is None
    assert run_sweep(load(config), workers=2).published is not None


def _answers(url: str) -> bool:
    try:
        with urllib.request.urlopen(url, timeout=2):
            return True
    except OSError:
        return False


def _runs(url: str, kind: str) -> list[dict]:
    wanted = {
        "flow_runs": {"state": {"type": {"any_": [kind]}}},
        "sort": "EXPECTED_START_TIME_DESC",
    }
    return ask(url, "flow_runs/filter", **wanted)
