"""A lake in an S3 store, and a cluster whose nodes share no disk with the machine that asks.

Each node sees an empty folder where the sweep's machine has the workspace: a mount namespace
of its own hides it.
"""

from __future__ import annotations

import os
import signal
import subprocess
from collections.abc import Iterator
from contextlib import ExitStack
from functools import partial
from pathlib import Path

import pytest
import yaml

from tests.faults.object_store.loopback_store import SECRET, bucket, loopback_store
from tests.faults.service.processes import PROJECT, blind_to, process, rightsize, until
from tests.faults.service.test_cluster import Cluster, buckets_done, events, utility
from tests.pipelines.small_utility import add_export, published_tables, quick_utility

pytest.importorskip("s3fs")
pytest.importorskip("moto")
pytest.importorskip("distributed")
pytestmark = pytest.mark.heavy

LAKE = "s3://utility/lake"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[dict[str, str]]:
    with loopback_store(tmp_path / "store.log") as reach:
        yield reach


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[Cluster]:
    with ExitStack() as stack:
        yield Cluster(tmp_path, stack)


def stored(config: Path) -> Path:
    settings = yaml.safe_load(config.read_text())
    settings["lake"] = LAKE
    config.write_text(yaml.safe_dump(settings, sort_keys=False))
    return config


def swept(config: Path, **environment: str) -> None:
    ended = subprocess.run(
        rightsize("sweep", config),
        cwd=PROJECT,
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        check=False,
        timeout=400,
    )
    assert ended.returncode in (0, 3), ended.stderr


def far_nodes(cluster: Cluster, config: Path, reach: dict[str, str], tmp_path: Path) -> None:
    for name in ("one", "two"):
        scratch = tmp_path / f"scratch-{name}"
        cluster.node(
            name, behind=blind_to(config.parent), RIGHTSIZE_SCRATCH=str(scratch), **reach
        )
    until(lambda: len(cluster.pids()) == 2, "two workers")


def test_nodes_without_the_workspace_publish_what_one_machine_publishes(
    store: dict[str, str], cluster: Cluster, tmp_path: Path
):
    """With verdicts, money and pages: the checked-in demo, its lake in the store."""
    plain = utility(tmp_path / "plain")
    swept(plain)
    config = stored(utility(tmp_path / "stored"))
    far_nodes(cluster, config, store, tmp_path)
    log = tmp_path / "sweep.log"
    command = rightsize("sweep", config, "--scheduler", cluster.address)
    with process(*command, log=log, **store) as sweep:
        assert sweep.wait(400) in (0, 3), log.read_text()
    assert published_tables(config) == published_tables(plain)
    workers = {e["worker"] for e in events(config) if e["message"] == "bucket done"}
    assert len(workers) == 2, "both workers had their share"
    workspace = config.parent / "workspace"
    assert not list(workspace.glob("lake/*/*/*/*")) + list(workspace.glob("profile/*"))
    s3 = bucket(store)
    assert s3.find("utility/lake/lake")
    assert s3.find("utility/lake/assess") == []
    assert list(tmp_path.glob("scratch-*/*")) == []
    assert (workspace / "published/pages/index.html").is_file()
    assert SECRET not in log.read_text() + "".join(map(str, events(config)))


def test_a_node_that_is_killed_and_one_that_joins_leave_the_same(
    store: dict[str, str], cluster: Cluster, tmp_path: Path
):
    whole = quick_utility(tmp_path / "whole")
    config = stored(quick_utility(tmp_path / "quick"))
    for each in (whole, config):
        add_export(each.parent)
    swept(whole)
    far_nodes(cluster, config, store, tmp_path)
    victim = cluster.pids()["two"]
    log = tmp_path / "sweep.log"
    command = rightsize("sweep", config, "--scheduler", cluster.address)
    with process(*command, log=log, **store) as sweep:
        until(lambda: buckets_done(config, "profile") >= 2, "the profile stage")
        os.kill(victim, signal.SIGKILL)
        assert sweep.poll() is None, "killed in mid-sweep"
        assert sweep.wait(400) in (0, 3), log.read_text()
    assert published_tables(config) == published_tables(whole)
    assert bucket(store).find("utility/lake/assess") == []


def test_a_sweep_that_is_killed_goes_on_with_the_same_results(
    store: dict[str, str], tmp_path: Path
):
    whole = quick_utility(tmp_path / "whole")
    config = stored(quick_utility(tmp_path / "quick"))
    swept(whole)
    log = tmp_path / "sweep.log"
    for stage, done in (("land", 0), ("profile", 1), ("profile", 3)):
        reached = partial(_reached, config, stage, done, len(events(config)))
        with process(*rightsize("sweep", config), log=log, **store) as sweep:
            until(reached, f"{stage} of bucket {done}")
            sweep.kill()
            sweep.wait(60)
    swept(config, **store)
    assert published_tables(config) == published_tables(whole)


def _reached(config: Path, stage: str, done: int, before: int) -> bool:
    now = [e for e in events(config)[before:] if e.get("stage") == stage]
    begun = any(e["message"] == "stage begins" for e in now)
    return begun and sum(e["message"] == "bucket done" for e in now) >= done


def test_workers_that_do_not_reach_the_store_are_refused(
    store: dict[str, str], cluster: Cluster, tmp_path: Path
):
    config = stored(quick_utility(tmp_path / "quick"))
    cluster.node("astray", **{**store, "AWS_ENDPOINT_URL": "http://127.0.0.1:9"})
    until(lambda: len(cluster.pids()) == 1, "the worker")
    log = tmp_path / "sweep.log"
    command = rightsize("sweep", config, "--scheduler", cluster.address)
    with process(*command, log=log, **store) as sweep:
        assert sweep.wait(200) == 1, log.read_text()
    said = log.read_text()
    assert f"cannot write the lake in {LAKE}" in said
    assert SECRET not in said
