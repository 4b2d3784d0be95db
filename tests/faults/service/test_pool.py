"""The deployment file on a work pool: a worker sweeps; one that is killed loses nothing."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import pytest

from pipelines.configuration.load_settings import load
from pipelines.service import dead_runs
from pipelines.store.resources import config_path
from pipelines.store.workspace import Workspace
from pipelines.sweep.sweep import run_sweep
from tests.faults.service.prefect_service import (
    Server,
    add_many,
    is_landing,
    prefect_server,
    results,
)
from tests.faults.service.processes import PROJECT, kill_group, process, until
from tests.pipelines.small_utility import published_tables, quick_utility

pytestmark = pytest.mark.heavy


def prefect(server: Server, folder: Path, *words: str) -> None:
    subprocess.run(
        [sys.executable, "-m", "prefect", *words],
        cwd=folder,
        check=True,
        timeout=120,
        env={**os.environ, **server.environment, "PYTHONPATH": str(PROJECT)},
    )


def worker(server: Server, config: Path, name: str):
    words = ("worker", "start", "--pool", "utility", "--limit", "1", "--name", name)
    return process(
        sys.executable,
        "-m",
        "prefect",
        *words,
        log=config.parents[1] / f"{name}.log",
        PYTHONPATH=str(PROJECT),
        RIGHTSIZE_CONFIG=str(config),
        **server.environment,
    )


def test_a_worker_of_a_pool_sweeps_and_one_that_is_killed_loses_nothing(tmp_path: Path):
    whole = quick_utility(tmp_path / "whole")
    add_many(whole.parent)
    run_sweep(load(whole), workers=2)
    config = quick_utility(tmp_path / "utility")
    add_many(config.parent)
    shipped = config_path("prefect.yaml").read_text()
    named = shipped.replace("/srv/rightsize/larkmoor/sweep.yaml", str(config))
    assert named != shipped
    (tmp_path / "prefect.yaml").write_text(named)
    with prefect_server(tmp_path) as server:
        prefect(server, tmp_path, "work-pool", "create", "utility", "--type", "process")
        deploy = ("--no-prompt", "deploy", "--all", "--prefect-file", "prefect.yaml")
        prefect(server, tmp_path, *deploy)
        with worker(server, config, "one") as first:
            prefect(server, tmp_path, "deployment", "run", "nightly/nightly")
            until(lambda: is_landing(config), "the sweep to land files")
            holder = Workspace(config.parent / "workspace").holder()
            assert holder is not None
            kill_group(first)
            with suppress(ProcessLookupError):
                os.kill(holder.pid, signal.SIGKILL)
        (killed,) = server.runs("RUNNING")  # nobody told the server
        workspace = Workspace(config.parent / "workspace")
        until(lambda: workspace.holder() is None, "the kernel to free the lock", 10)
        time.sleep(dead_runs.YOUNG_S)
        with worker(server, config, "two") as second:
            prefect(server, tmp_path, "deployment", "run", "nightly/nightly")
            until(lambda: server.runs("COMPLETED"), "the next sweep to end")
            # The run's process has told the server of its end and is still about to leave.
            second.terminate()
            second.wait(60)
            until(lambda: not second.descendants(), "all that it started to end", 60)
        (crashed,) = server.runs("CRASHED")
        assert crashed["id"] == killed["id"]
    assert results(config).exists()
    assert published_tables(config) == published_tables(whole)
