"""A sweep on a Dask cluster of real processes: equal to a local one, whoever dies."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from demo_data.regenerate import CHECKED_IN
from pipelines.configuration.load_settings import load
from pipelines.sweep.sweep import run_sweep
from tests.faults.service.prefect_service import prefect_server
from tests.faults.service.processes import (
    PROJECT,
    blind_to,
    free_port,
    kill_group,
    process,
    rightsize,
    until,
)
from tests.pipelines.small_utility import add_export, published_tables, quick_utility

pytest.importorskip("distributed")
pytestmark = pytest.mark.heavy


class Cluster:
    """A scheduler, and nodes of workers with a nanny each, all separate processes."""

    def __init__(self, folder: Path, stack: ExitStack) -> None:
        self._folder, self._stack = folder, stack
        self.address = f"tcp://127.0.0.1:{free_port()}"
        code = "from distributed.cli.dask_scheduler import main; main()"
        stack.enter_context(
            process(
                sys.executable,
                "-c",
                code,
                "--host",
                "127.0.0.1",
                "--port",
                self.address.rsplit(":", 1)[1],
                "--no-dashboard",
                "--no-show",
                log=folder / "scheduler.log",
            )
        )

    def node(
        self, name: str, workers: int = 1, *, behind: tuple[str, ...] = (), **environment: str
    ) -> subprocess.Popen[bytes]:
        """A node: its process group holds the nannies and the workers.

        `behind` is a command that starts it in another place, such as a mount of its own.
        """
        code = "from distributed.cli.dask_worker import main; main()"
        return self._stack.enter_context(
            process(
                *behind,
                sys.executable,
                "-c",
                code,
                self.address,
                "--name",
                name,
                "--nworkers",
                str(workers),
                "--nthreads",
                "1",
                "--no-dashboard",
                "--local-directory",
                str(self._folder / name),
                "--death-timeout",
                "120",
                log=self._folder / f"{name}.log",
                **environment,
            )
        )

    def pids(self) -> dict[str, int]:
        """Process of each worker, by its name."""
        from distributed import Client

        with Client(self.address, timeout=60, set_as_default=False) as client:
            found = client.run(lambda dask_worker: (str(dask_worker.name), os.getpid()))
        return dict(found.values())


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[Cluster]:
    with ExitStack() as stack:
        yield Cluster(tmp_path, stack)


@pytest.fixture(scope="module")
def local(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The checked-in demo, swept on this machine alone."""
    config = utility(tmp_path_factory.mktemp("local"))
    ended = subprocess.run(
        rightsize("sweep", config, "--workers", "2"),
        cwd=config.parents[1],
        check=False,
        env={**os.environ, "PYTHONPATH": str(CHECKED_IN.parents[1])},
        capture_output=True,
    )
    assert ended.returncode in (0, 3), ended.stderr
    return config


def utility(folder: Path) -> Path:
    target = folder / "larkmoor"
    shutil.copytree(CHECKED_IN, target, ignore=shutil.ignore_patterns("workspace"))
    with (target / "sweep.yaml").open("a") as config:
        config.write("buckets: 4\n")  # work for two nodes
    return target / "sweep.yaml"


def events(config: Path) -> list[dict]:
    """What sweeps said so far; a line that is being written is left out."""
    logs = sorted((config.parent / "workspace" / "logs").glob("*.jsonl"))
    lines = [line for path in logs for line in path.read_text().splitlines(keepends=True)]
    return [json.loads(line) for line in lines if line.endswith("\n")]


def buckets_done(config: Path, stage: str) -> int:
    return sum(e["message"] == "bucket done" and e["stage"] == stage for e in events(config))


@pytest.mark.heavy_ci
def test_a_cluster_publishes_what_one_machine_publishes(
    cluster: Cluster, local: Path, tmp_path: Path
):
    cluster.node("one")
    cluster.node("two")
    until(lambda: len(cluster.pids()) == 2, "two workers")
    config = utility(tmp_path)
    with process(
        *rightsize("sweep", config, "--scheduler", cluster.address), log=tmp_path / "sweep.log"
    ) as sweep:
        assert sweep.wait(400) in (0, 3), (tmp_path / "sweep.log").read_text()
    assert published_tables(config) == published_tables(local)
    workers = {e["worker"] for e in events(config) if e["message"] == "bucket done"}
    assert len(workers) == 2, "both workers had their share"


def test_a_flow_sends_its_buckets_to_the_cluster_and_publishes_the_same(
    cluster: Cluster, local: Path, tmp_path: Path
):
    """Through prefect-dask: task runs on the workers, results as those of one machine."""
    cluster.node("one")
    cluster.node("two")
    until(lambda: len(cluster.pids()) == 2, "two workers")
    config = utility(tmp_path)
    flow = (sys.executable, "-c", "import pipelines.service.flows as f; f.nightly()")
    named = {"RIGHTSIZE_CONFIG": str(config), "RIGHTSIZE_SCHEDULER": cluster.address}
    log = tmp_path / "flow.log"
    with (
        prefect_server(tmp_path) as server,
        process(*flow, log=log, **server.environment, **named) as run,
    ):
        assert run.wait(400) == 0, log.read_text()
        assert [r["state_type"] for r in server.runs("COMPLETED")] == ["COMPLETED"]
        tasks = server.ask("task_runs/filter")
        assert sum(t["name"].startswith("buckets") for t in tasks) > 10
    assert published_tables(config) == published_tables(local)
    workers = {e["worker"] for e in events(config) if e["message"] == "bucket done"}
    assert len(workers) == 2, "both workers had their share"


@pytest.mark.parametrize("victim", ["worker", "node"])
def test_a_sweep_outlives_a_worker_and_a_node_that_are_killed(
    victim: str, cluster: Cluster, tmp_path: Path
):
    cluster.node("one")
    node = cluster.node("two", workers=1 if victim == "worker" else 2)
    wanted = 2 if victim == "worker" else 3
    pids = until(lambda: len(p := cluster.pids()) == wanted and p, "workers")
    config = quick_utility(tmp_path / "quick")
    whole = quick_utility(tmp_path / "whole")
    for each in (config, whole):
        add_export(each.parent)
    run_sweep(load(whole), workers=2)
    with process(
        *rightsize("sweep", config, "--scheduler", cluster.address), log=tmp_path / "sweep.log"
    ) as sweep:
        until(lambda: buckets_done(config, "profile") >= 3, "the profile stage")
        if victim == "worker":
            os.kill(pids["two"], signal.SIGKILL)
        else:
            kill_group(node)
        assert sweep.poll() is None, "killed in mid-sweep"
        assert sweep.wait(400) in (0, 3), (tmp_path / "sweep.log").read_text()
    assert published_tables(config) == published_tables(whole)
    ended = [e for e in events(config) if e["message"] == "sweep ends"]
    assert [e["outcome"] for e in ended] == ["published"]


def test_a_worker_that_has_another_disk_under_the_path_is_refused_by_name(
    cluster: Cluster, tmp_path: Path
):
    from distributed import Client

    config = quick_utility(tmp_path / "utility")
    workspace = config.parent / "workspace"
    hidden = blind_to(workspace)
    cluster.node("seeing")
    cluster.node("blind", behind=hidden)
    until(lambda: len(cluster.pids()) == 2, "two workers")
    with Client(cluster.address, timeout=60, set_as_default=False) as client:
        workers = client.scheduler_info(n_workers=-1)["workers"].items()
        address = {str(w["name"]): at for at, w in workers}
    ended = subprocess.run(
        rightsize("sweep", config, "--scheduler", cluster.address),
        cwd=PROJECT,
        capture_output=True,
        text=True,
        check=False,
        timeout=240,
    )
    assert ended.returncode == 1
    assert f"workers blind ({address['blind']}) cannot access workspace" in ended.stderr
    assert str(workspace) in ended.stderr
    assert address["seeing"] not in ended.stderr
    assert "Traceback" not in ended.stderr
    assert not [p for p in workspace.rglob("*") if p.is_file() and p.suffix != ".jsonl"]


def test_workers_of_other_code_and_a_scheduler_that_is_not_there_are_refused(
    cluster: Cluster, tmp_path: Path
):
    from pipelines.store.workspace import Workspace
    from pipelines.work.bucket_work import _do
    from pipelines.work.cluster import check_cluster, dask_pool
    from rightsize.errors import ClusterError, ConfigError

    with pytest.raises(ConfigError, match="no Dask scheduler answers"):
        check_cluster("tcp://127.0.0.1:9", Workspace(tmp_path))
    cluster.node("one")
    workspace = Workspace(tmp_path / "workspace")
    check_cluster(cluster.address, workspace)
    with dask_pool(cluster.address, workspace) as pool:
        wrong = pool.executor.submit(_do, str, "another release", [1])
        with pytest.raises(ClusterError, match="install the same release on every worker"):
            wrong.result(60)
