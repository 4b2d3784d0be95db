"""A sweep through what nights bring: a stop, a kill in mid-stage."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest

from pipelines.configuration.load_settings import load
from pipelines.store.workspace import Workspace
from pipelines.sweep.sweep import run_sweep
from tests.faults.service.prefect_service import results
from tests.faults.service.processes import process, rightsize, until
from tests.pipelines.small_utility import add_export, published_tables, quick_utility

pytestmark = pytest.mark.heavy


@pytest.mark.heavy_ci
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


@pytest.mark.heavy_ci
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
    assert "stopped; previously published results are unchanged" in told
    assert "Traceback" not in told
    assert results(config).read_bytes() == before
    assert lock.read_text() == ""
