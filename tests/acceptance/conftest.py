"""A demo utility, made and swept once for all acceptance tests, through the command line."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import duckdb
import pytest

from demo_data.regenerate import CHECKED_IN
from pipelines import cli
from tests.acceptance.scoring import Score, score

ACCOUNTS, MONTHS, SEED = 60, 13, 11

_texts: list[str] = []


@dataclass(frozen=True)
class Ended:
    """How a command ended."""

    code: int
    text: str  # all that it printed


class Shell:
    """The command line, run in this process."""

    def __init__(self, capture: pytest.CaptureFixture[str]):
        self._capture = capture

    def __call__(self, *words: str | Path) -> Ended:
        self._capture.readouterr()
        code = run(*words)
        printed = self._capture.readouterr()
        return Ended(code, printed.out + printed.err)


def run(*words: str | Path) -> int:
    """Exit code of a command of the command line."""
    return cli.run(lambda: cli.app([str(w) for w in words], standalone_mode=False))


@pytest.fixture
def shell(capfd: pytest.CaptureFixture[str]) -> Shell:
    return Shell(capfd)


@dataclass(frozen=True)
class Swept:
    """A demo folder whose sweep has ended."""

    folder: Path
    code: int

    @property
    def results(self) -> Path:
        """The published database."""
        return self.folder / "workspace" / "published" / "results.duckdb"

    def rows(self, sql: str) -> list[tuple]:
        """Rows of a query on the published results."""
        return ask(self.folder, sql)


def ask(folder: Path, sql: str) -> list[tuple]:
    """Rows of a query on the results published for a folder."""
    results = folder / "workspace" / "published" / "results.duckdb"
    with duckdb.connect(str(results), read_only=True) as connection:
        return connection.execute(sql).fetchall()


@pytest.fixture(scope="session")
def swept(tmp_path_factory: pytest.TempPathFactory) -> Swept:
    return sweep_demo(tmp_path_factory.mktemp("utility") / "demo", accounts=ACCOUNTS)


def sweep_demo(folder: Path, *, accounts: int) -> Swept:
    """Make and sweep a demo of so many accounts."""
    size = ("--accounts", str(accounts), "--months", str(MONTHS), "--seed", str(SEED))
    assert run("demo", folder, *size) == 0
    return Swept(folder, run("sweep", folder / "sweep.yaml"))


@pytest.fixture(scope="session")
def scored(swept: Swept) -> Score:
    return tell(score(swept.folder), f"{ACCOUNTS} accounts, {MONTHS} months, seed {SEED}")


def tell(result: Score, what: str) -> Score:
    """Keep a score's table for the end of the run."""
    _texts.append(f"{what}\n{result.text}")
    return result


@pytest.fixture
def small(tmp_path: Path) -> Path:
    """A copy of the checked-in demo, to be spoilt."""
    folder = tmp_path / "larkmoor"
    shutil.copytree(CHECKED_IN, folder, ignore=shutil.ignore_patterns("workspace"))
    return folder


@pytest.hookimpl(wrapper=True)
def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> Iterator[None]:
    yield
    for text in _texts:
        terminalreporter.section("published verdicts against the planted truth")
        terminalreporter.write_line(text)
