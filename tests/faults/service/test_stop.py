"""A signal in the middle of a statement that would go on for hours."""

from __future__ import annotations

import signal
import sys
from pathlib import Path

import pytest

from pipelines.commands.health import State, health
from pipelines.configuration.load_settings import load
from pipelines.store.workspace import Workspace
from pipelines.sweep.sweep import run_sweep
from tests.faults.service.prefect_service import prefect_server, results
from tests.faults.service.processes import process, until
from tests.pipelines.small_utility import add_export, published_tables, quick_utility

# The second file to land meets a statement of hours; a file tells that it has begun.
CHILD = """
import sys
from pathlib import Path
from pipelines.stages.land import land

begun, config = Path(sys.argv[1]), Path(sys.argv[2])
real, landed = land.land_file, []

def land_file(connection, landing):
    if not landed:
        landed.append(real(connection, landing))
        return landed[0]
    begun.touch()
    connection.execute("select sum(hash(i)) from range(400_000_000_000) t(i)")

land.land_file = land_file
if sys.argv[3:]:
    from pipelines.service.flows import nightly
    nightly()
else:
    from pipelines.cli import main
    sys.argv = ["rightsize", "sweep", str(config)]
    main()
"""


pytestmark = pytest.mark.heavy


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """A utility that has published once, and has two more files to land."""
    config = quick_utility(tmp_path / "utility")
    run_sweep(load(config), workers=2)
    add_export(config.parent)
    add_export(config.parent, "walkby_2025-02.csv.gz")
    return config


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same utility, swept without any trouble."""
    config = quick_utility(tmp_path_factory.mktemp("whole") / "utility")
    run_sweep(load(config), workers=2)
    add_export(config.parent)
    add_export(config.parent, "walkby_2025-02.csv.gz")
    run_sweep(load(config), workers=2)
    return config


def child(config: Path, *more: str, **environment: str):
    begun = config.parent / "begun"
    words = (sys.executable, "-c", CHILD, begun, config, *more)
    return process(*words, log=config.parent / "sweep.log", **environment)


def has_begun(config: Path) -> bool:
    return (config.parent / "begun").exists()


def clean_and_goes_on(config: Path, whole: Path, before: bytes) -> None:
    """Lock free, results as before, one file landed; the next sweep does the rest."""
    workspace = Workspace(config.parent / "workspace")
    assert workspace.holder() is None
    assert workspace.left_behind() is None
    assert results(config).read_bytes() == before
    last = {c.name: c for c in health(load(config)).checks}["last run"]
    assert last.state is State.failing
    assert "stopped" in last.text
    next_one = run_sweep(load(config), workers=2)
    assert len(next_one.landed.files) == 1, "what had landed is not landed again"
    assert not next_one.landed.problems, "the stop is nobody's fault"
    assert published_tables(config) == published_tables(whole)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_a_sweep_in_a_statement_of_hours(number: int, config: Path, whole: Path):
    before = results(config).read_bytes()
    with child(config) as sweep:
        until(lambda: has_begun(config), "the long statement to begin")
        sweep.send_signal(number)
        assert sweep.wait(60) == 130
    assert "Traceback" not in (config.parent / "sweep.log").read_text()
    clean_and_goes_on(config, whole, before)


def test_a_signal_ends_a_flow_in_a_statement_of_hours(
    config: Path, whole: Path, tmp_path: Path
):
    before = results(config).read_bytes()
    named = {"RIGHTSIZE_CONFIG": str(config)}
    with (
        prefect_server(tmp_path) as server,
        child(config, "flow", **server.environment, **named) as run,
    ):
        until(lambda: has_begun(config), "the long statement to begin")
        run.terminate()
        run.wait(60)
    clean_and_goes_on(config, whole, before)
