"""`rightsize schedule` through what nights bring: its clock, a cancel, a stop, kills."""

from __future__ import annotations

import os
import signal
from contextlib import suppress
from pathlib import Path

import pytest

from pipelines.configuration.load_settings import load
from pipelines.store.workspace import Workspace
from pipelines.sweep.sweep import run_sweep
from tests.faults.service.prefect_service import (
    EACH_MINUTE,
    Server,
    busy_utility,
    is_landing,
    prefect_server,
    results,
)
from tests.faults.service.processes import kill_group, process, rightsize, until
from tests.pipelines.small_utility import published_tables

pytestmark = pytest.mark.heavy


@pytest.fixture
def config(tmp_path: Path) -> Path:
    return busy_utility(tmp_path / "utility")


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same utility, swept without any trouble."""
    config = busy_utility(tmp_path_factory.mktemp("whole") / "utility")
    run_sweep(load(config), workers=2)
    return config


def holder_pid(config: Path) -> int:
    holder = Workspace(config.parent / "workspace").holder()
    assert holder is not None
    return holder.pid


def is_free(config: Path) -> bool:
    return Workspace(config.parent / "workspace").holder() is None


def is_gone(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    return False


def two_sweeps(config: Path) -> bool:
    return results(config).exists() and len(published_tables(config)["sweep"]) == 2


def scheduled(server: Server, config: Path, log: Path):
    return process(*rightsize("schedule", config, *EACH_MINUTE), log=log, **server.environment)


def test_the_clock_fires_a_cancel_leaves_a_clean_state_and_the_next_night_finishes(
    config: Path, whole: Path, tmp_path: Path
):
    before = results(config).read_bytes()
    log = tmp_path / "serve.log"
    with prefect_server(tmp_path) as server, scheduled(server, config, log):
        until(lambda: is_landing(config), "the schedule to fire")
        (running,) = server.runs("RUNNING")
        pid = holder_pid(config)
        server.cancel(running)
        until(lambda: server.runs("CANCELLED"), "the run to be cancelled")
        until(lambda: is_gone(pid), "its process to end")
        assert is_free(config)
        assert results(config).read_bytes() == before
        until(lambda: two_sweeps(config), "the next night to publish")
        until(lambda: server.runs("COMPLETED"), "the next night to end")
        assert all(r["deployment_id"] for r in server.runs("COMPLETED", "CANCELLED"))
    assert published_tables(config) == published_tables(whole)


def test_a_run_that_is_killed_is_shown_as_crashed_and_the_next_night_finishes(
    config: Path, whole: Path, tmp_path: Path
):
    log = tmp_path / "serve.log"
    with prefect_server(tmp_path) as server, scheduled(server, config, log):
        until(lambda: is_landing(config), "the schedule to fire")
        os.kill(holder_pid(config), signal.SIGKILL)
        until(lambda: server.runs("CRASHED"), "the run to be shown as crashed")
        until(lambda: two_sweeps(config), "the next night to publish")
    assert published_tables(config) == published_tables(whole)


def test_a_stopped_service_stops_its_sweep_and_leaves_no_process(config: Path, tmp_path: Path):
    before = results(config).read_bytes()
    log = tmp_path / "serve.log"
    with prefect_server(tmp_path) as server, scheduled(server, config, log) as service:
        until(lambda: is_landing(config), "the schedule to fire")
        pid = holder_pid(config)
        service.terminate()
        assert service.wait(90) in (0, 130)
        until(lambda: is_gone(pid), "its run to end", 30)
        until(lambda: not service.descendants(), "all that it started to end", 30)
        assert is_free(config)
        assert not server.runs("RUNNING", "PENDING")
    assert "Traceback" not in log.read_text()
    assert results(config).read_bytes() == before
    assert run_sweep(load(config), workers=2).published is not None


def test_a_service_killed_with_its_own_server_starts_again_and_finishes(
    config: Path, whole: Path, tmp_path: Path
):
    """A loss of power: service, server and run end at once. The server is the service's own."""
    serve = rightsize("schedule", config, *EACH_MINUTE)
    with process(*serve, log=tmp_path / "first.log") as service:
        until(lambda: is_landing(config), "the schedule to fire")
        for pid in service.descendants():
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        kill_group(service)
        until(lambda: is_free(config), "the kernel to free the lock", 10)
    with process(*serve, log=tmp_path / "second.log") as service:
        until(lambda: two_sweeps(config), "the next night to publish")
        service.terminate()
        assert service.wait(90) in (0, 130)
        until(lambda: not service.descendants(), "all that it started to end", 30)
    assert "process ended together with the service" in told(config, tmp_path)
    assert published_tables(config) == published_tables(whole)


def told(config: Path, folder: Path) -> str:
    """What Prefect's database holds of states."""
    import sqlite3

    database = config.parent / "workspace" / "prefect" / "prefect.db"
    with sqlite3.connect(database) as connection:
        rows = connection.execute("select message from flow_run_state").fetchall()
    return " ".join(message or "" for (message,) in rows)
