"""A Prefect server that dies and comes back, in the middle of a sweep and between two."""

from __future__ import annotations

import os
import signal
import time
from contextlib import ExitStack, suppress
from pathlib import Path

import pytest

from pipelines.configuration.load_settings import load
from pipelines.store.workspace import Workspace
from pipelines.sweep.sweep import run_sweep
from tests.faults.service.prefect_service import (
    EACH_MINUTE,
    busy_utility,
    is_landing,
    prefect_server,
)
from tests.faults.service.processes import Started, free_port, process, rightsize, until
from tests.pipelines.small_utility import add_export, published_tables

pytestmark = pytest.mark.heavy

AWAY_S = 20


@pytest.fixture
def config(tmp_path: Path) -> Path:
    return busy_utility(tmp_path / "utility")


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same utility, swept without any trouble."""
    config = busy_utility(tmp_path_factory.mktemp("whole") / "utility")
    run_sweep(load(config), workers=2)
    add_export(config.parent)
    run_sweep(load(config), workers=2)
    return config


def sweeps(config: Path) -> int:
    return len(published_tables(config)["sweep"])


def is_free(config: Path) -> bool:
    return Workspace(config.parent / "workspace").holder() is None


def server_of(service: Started) -> int | None:
    """The process of the service's own server."""
    for pid in service.descendants():
        with suppress(OSError):  # gone meanwhile
            if b"server\0start" in Path(f"/proc/{pid}/cmdline").read_bytes():
                return pid
    return None


def test_a_server_killed_and_started_again_disturbs_neither_sweep_nor_schedule(
    config: Path, whole: Path, tmp_path: Path
):
    port = free_port()
    log = tmp_path / "serve.log"
    with ExitStack() as first:
        server = first.enter_context(prefect_server(tmp_path, port))
        command = rightsize("schedule", config, *EACH_MINUTE)
        with process(*command, log=log, **server.environment) as service:
            until(lambda: is_landing(config), "the schedule to fire")
            (under_way,) = server.runs("RUNNING")
            first.close()
            time.sleep(AWAY_S)
            with prefect_server(tmp_path, port):
                until(lambda: sweeps(config) == 2, "the sweep under way to publish")
                ended = until(lambda: server.runs("COMPLETED"), "its end to be known")
                assert [r["id"] for r in ended] == [under_way["id"]]
                until(lambda: is_free(config), "the service to idle")
            time.sleep(AWAY_S)
            add_export(config.parent)
            with prefect_server(tmp_path, port):
                until(lambda: sweeps(config) == 3, "the next schedule to fire")
                assert not server.runs("FAILED", "CRASHED")
            assert service.poll() is None
    assert published_tables(config) == published_tables(whole)


def test_a_service_starts_its_own_server_again(config: Path, whole: Path, tmp_path: Path):
    log = tmp_path / "serve.log"
    with process(*rightsize("schedule", config, *EACH_MINUTE), log=log) as service:
        until(lambda: is_landing(config), "the schedule to fire")
        killed = server_of(service)
        assert killed is not None
        os.kill(killed, signal.SIGKILL)
        until(lambda: server_of(service) not in (None, killed), "another server")
        until(lambda: sweeps(config) == 2, "the sweep under way to publish")
        add_export(config.parent)
        until(lambda: sweeps(config) == 3, "the next schedule to fire")
        service.terminate()
        assert service.wait(90) in (0, 130)
        until(lambda: not service.descendants(), "all that it started to end", 30)
    assert published_tables(config) == published_tables(whole)
