"""The flows against a real server: same stages, same results, honest states."""

from __future__ import annotations

import base64
import json
import os
import threading
import urllib.request
from pathlib import Path
from typing import Any

import pytest

from pipelines.configuration.load_settings import load
from pipelines.service import dead_runs
from pipelines.store.workspace import Workspace
from pipelines.sweep.stages import (
    JUDGING_STAGES,
    PAGES_STAGE,
    READING_STAGES,
    Stage,
)
from pipelines.sweep.state import Sweep
from pipelines.sweep.sweep import run_sweep
from pipelines.work.observe import StageCost
from rightsize.errors import BalanceError, ConfigError
from tests.pipelines.small_utility import add_export, published_tables, quick_utility

flows = pytest.importorskip("pipelines.service.flows")
STAGES = [stage.name for stage in (*READING_STAGES, *JUDGING_STAGES, PAGES_STAGE)]


def ask(url: str, path: str, **body: Any) -> Any:
    request = urllib.request.Request(
        f"{url}/{path}",
        data=json.dumps(body).encode(),
        headers={"Content-Type": "application/json", **authorization()},
    )
    with urllib.request.urlopen(request, timeout=30) as answer:
        return json.load(answer)


def authorization() -> dict[str, str]:
    """As Prefect's own client shows the secret of the server."""
    from prefect.settings import PREFECT_API_AUTH_STRING

    hidden = PREFECT_API_AUTH_STRING.value()
    secret = hidden.get_secret_value() if hasattr(hidden, "get_secret_value") else hidden
    return {"Authorization": f"Basic {base64.b64encode(secret.encode()).decode()}"}


@pytest.fixture
def config(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The utility that this process's runs are bound to."""
    path = quick_utility(tmp_path / "utility")
    monkeypatch.setenv("RIGHTSIZE_CONFIG", str(path))
    return path


@pytest.mark.heavy_ci
@pytest.mark.heavy
def test_a_nightly_flow_publishes_what_the_command_publishes(
    config: Path,
    prefect: str,
    plain: Path,
):
    said = flows.nightly(workers=2)
    assert said.startswith("published sweep")
    assert published_tables(config) == published_tables(plain)
    runs = {r["name"].rsplit("-", 1)[0] for r in ask(prefect, "task_runs/filter")}
    assert set(STAGES) <= runs
    keys = {a["key"] for a in ask(prefect, "artifacts/filter")}
    assert {"sweep-larkmoor-water", "validation-larkmoor-water"} <= keys


@pytest.mark.heavy_ci
@pytest.mark.heavy
def test_a_night_without_news_publishes_nothing_and_the_monthly_sweep_does(
    config: Path,
    prefect: str,
):
    run_sweep(load(config), workers=2)
    before = (config.parent / "workspace/published/results.duckdb").read_bytes()
    assert flows.nightly().startswith("nothing new")
    assert (config.parent / "workspace/published/results.duckdb").read_bytes() == before
    add_export(config.parent)
    assert flows.monthly(budget_usd=1e5).startswith("published sweep")
    assert (config.parent / "workspace/published/program.csv").is_file()
    assert len(published_tables(config)["sweep"]) == 2


def test_a_run_that_finds_another_at_work_is_skipped(config: Path, prefect: str):
    with Workspace(load(config).workspace_root).hold("monthly"):
        state = flows.nightly(return_state=True)
    assert state.name == "Skipped"
    assert "monthly by process" in state.message


def test_a_wrong_configuration_fails_the_run_with_its_message(
    config: Path,
    prefect: str,
):
    (config.parent / "tariff.yaml").write_text("classes: {}\n")
    state = flows.nightly(return_state=True)
    assert state.is_failed()
    with pytest.raises(ConfigError, match="classes must include 'default'"):
        state.result()


@pytest.mark.parametrize(
    ("error", "tries"),
    [(OSError("stale file handle"), 4), (BalanceError("rows went missing"), 1)],
)
def test_a_stage_is_tried_again_after_input_output_errors_only(
    error: Exception,
    tries: int,
    prefect: str,
    monkeypatch: pytest.MonkeyPatch,
):
    from prefect import flow

    monkeypatch.setattr(flows, "BACKOFF_S", 0.01)
    calls = []

    def work(sweep: Sweep, cost: StageCost) -> None:
        calls.append(1)
        raise error

    class NoSweep:
        costs: list[StageCost] = []  # noqa: RUF012

    @flow
    def one_stage() -> None:
        flows.stage_as_task(Stage("land", work), NoSweep())

    with pytest.raises(type(error)):
        one_stage()
    assert len(calls) == tries


def test_a_period_of_months_is_made_anew_on_demand(config: Path, prefect: str):
    run_sweep(load(config), workers=2)
    profile = config.parent / "workspace/profile"
    made = {p: p.stat().st_mtime_ns for p in profile.glob("month=*/bucket=*/*")}
    assert flows.on_demand(from_month="2025-01", to_month="2025-01")
    for folder, made_at in made.items():
        is_new = folder.stat().st_mtime_ns != made_at
        assert is_new == ("month=2025-01" in str(folder)), folder


def test_accounts_on_demand_are_looked_at_and_nothing_is_published(
    config: Path,
    prefect: str,
):
    run_sweep(load(config), workers=2)
    before = (config.parent / "workspace/published/results.duckdb").read_bytes()
    assert "preview of 1 meters" in flows.on_demand(accounts=["A-10003"])
    assert (config.parent / "workspace/published/results.duckdb").read_bytes() == before


def test_a_stage_goes_to_a_worker_without_what_only_its_process_can_hold():
    """With the work on buckets prefect-dask sends the task that asked for it."""
    cloudpickle = pytest.importorskip("cloudpickle")
    asked = []

    def work(sweep: Sweep, cost: StageCost) -> None:
        asked.append(sweep)

    class Holding:
        costs: list[StageCost] = []  # noqa: RUF012

    sweep = Holding()
    sweep.connection = threading.Lock()
    stage = flows.named_work(Stage("land", work), sweep)
    with pytest.raises(TypeError, match="pickle"):
        cloudpickle.dumps(sweep.connection)
    cloudpickle.dumps(stage)
    stage()
    assert asked == [sweep]


def test_the_server_of_these_tests_is_not_left_in_the_environment(prefect: str):
    """Else a service that another test file starts takes it for its own and starts none."""
    assert prefect not in os.environ.values()
    assert "PREFECT_API_AUTH_STRING" not in os.environ


def test_months_between():
    assert flows.months_between(None, None) == ()
    assert flows.months_between("2024-11", "2025-02") == (
        "2024-11",
        "2024-12",
        "2025-01",
        "2025-02",
    )
    assert flows.months_between("2024-11", None) == ("2024-11",)
    with pytest.raises(ConfigError, match="to_month 2024-11 is before from_month 2025-02"):
        flows.months_between("2025-02", "2024-11")


def test_deployments_fire_in_the_zone_of_the_utility(config: Path):
    from pipelines.service.deployments import deployments

    made = {d.flow_name: d for d in deployments(load(config), nightly_cron="30 1 * * *")}
    (nightly,) = made["nightly"].schedules
    assert (nightly.schedule.cron, nightly.schedule.timezone) == (
        "30 1 * * *",
        "America/Denver",
    )
    assert made["monthly"].schedules[0].schedule.timezone == "America/Denver"
    assert not made["on-demand"].schedules
    with pytest.raises(ConfigError, match="invalid cron schedule 'at midnight'"):
        deployments(load(config), nightly_cron="at midnight")


def test_the_deployment_file_names_flows_and_parameters_that_exist():
    """`config/prefect.yaml` is what Prefect's own command deploys to a work pool."""
    import importlib

    import yaml

    from pipelines.store.resources import config_path

    content = yaml.safe_load(config_path("prefect.yaml").read_text())
    assert {d["name"] for d in content["deployments"]} == {"nightly", "monthly", "on-demand"}
    for deployment in content["deployments"]:
        module, _, name = deployment["entrypoint"].rpartition(".")
        flow = getattr(importlib.import_module(module), name)
        assert flow.name == deployment["name"]
        assert set(deployment["parameters"]) <= set(flow.parameters.properties)
        assert not {"config", "notify", "scheduler"} & set(flow.parameters.properties)
        path = "/srv/rightsize/larkmoor/sweep.yaml"
        assert deployment["tags"] == dead_runs.tags(Path(path))
