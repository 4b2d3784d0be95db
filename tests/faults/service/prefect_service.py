"""A Prefect server of its own on the loopback, and what it says of runs."""

from __future__ import annotations

import gzip
import json
import sys
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from demo_data.regenerate import CHECKED_IN
from pipelines.configuration.load_settings import load
from pipelines.store.workspace import Workspace
from pipelines.sweep.sweep import run_sweep
from tests.faults.service.processes import free_port, process, until
from tests.pipelines.small_utility import quick_utility

EACH_MINUTE = ("--nightly", "* * * * *", "--workers", "1")
MANY = 200
"""Files enough that landing them outlasts the ten seconds in which Prefect sees a cancel."""


@dataclass(frozen=True)
class Server:
    """A server under test; `environment` is that of all who talk to it."""

    url: str
    environment: dict[str, str]

    def ask(self, path: str, **body: Any) -> Any:
        """Post to the API; its answer."""
        request = urllib.request.Request(
            f"{self.url}/{path}",
            data=json.dumps(body).encode(),
            headers={"Content-Type": "application/json"},
        )
        with urllib.request.urlopen(request, timeout=30) as answer:
            return json.loads(answer.read() or "null")

    def runs(self, *kinds: str) -> list[dict[str, Any]]:
        """Runs in a state of these types, the newest first."""
        wanted = {"flow_runs": {"state": {"type": {"any_": list(kinds)}}}}
        return self.ask("flow_runs/filter", **wanted, sort="EXPECTED_START_TIME_DESC")

    def cancel(self, run: dict[str, Any]) -> None:
        """As the button of Prefect's pages does."""
        state = {"type": "CANCELLING"}
        self.ask(f"flow_runs/{run['id']}/set_state", state=state, force=True)


@contextmanager
def prefect_server(
    folder: Path, port: int | None = None, **environment: str
) -> Iterator[Server]:
    """Started, answering, ended for certain, by kill -9; on the database of one before it."""
    home, port = folder / "prefect", port or free_port()
    home.mkdir(exist_ok=True)
    url = f"http://127.0.0.1:{port}/api"
    quiet = {
        "PREFECT_HOME": str(home),
        "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
        "DO_NOT_TRACK": "1",
        "PREFECT_API_URL": url,
    }
    start = (sys.executable, "-m", "prefect", "server", "start", "--port", str(port))
    with process(*start, log=folder / "server.log", **quiet, **environment):
        until(lambda: answers(f"{url}/health"), "the server")
        yield Server(url, quiet)


def answers(url: str) -> bool:
    """Whether somebody does."""
    try:
        with urllib.request.urlopen(url, timeout=2):
            return True
    except OSError:
        return False


def add_many(folder: Path, count: int = MANY) -> None:
    """A month of reads in many files, so that a sweep is long at work."""
    text = gzip.decompress((CHECKED_IN / "exports/walkby_2025-02.csv.gz").read_bytes())
    heading, *rows = text.decode().splitlines()
    for k in range(count):
        part = "\n".join([heading, *rows[k::count], ""])
        path = folder / "exports" / f"walkby_2025-02_{k:03d}.csv.gz"
        path.write_bytes(gzip.compress(part.encode(), mtime=0))


def busy_utility(folder: Path) -> Path:
    """A utility that has published once and has much to land tonight."""
    config = quick_utility(folder)
    run_sweep(load(config), workers=2)
    add_many(config.parent)
    return config


def results(config: Path) -> Path:
    """The published database."""
    return config.parent / "workspace" / "published" / "results.duckdb"


def is_landing(config: Path) -> bool:
    """Whether a sweep is landing files now."""
    workspace = Workspace(config.parent / "workspace")
    landing = workspace.root / "landing"
    at_work = landing.is_dir() and any(landing.iterdir())
    return at_work and workspace.holder() is not None
