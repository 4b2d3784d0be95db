"""A demo utility, made and swept once for all acceptance tests, through the command line."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from demo_data.regenerate import CHECKED_IN
from tests.acceptance.demo_run import ACCOUNTS, MONTHS, SEED, Swept, sweep_demo, tell, told
from tests.acceptance.scoring import Score, score


@pytest.fixture(scope="session")
def swept(tmp_path_factory: pytest.TempPathFactory) -> Swept:
    return sweep_demo(tmp_path_factory.mktemp("utility") / "demo", accounts=ACCOUNTS)


@pytest.fixture(scope="session")
def scored(swept: Swept) -> Score:
    return tell(score(swept.folder), f"{ACCOUNTS} accounts, {MONTHS} months, seed {SEED}")


@pytest.fixture
def small(tmp_path: Path) -> Path:
    """A copy of the checked-in demo, to be spoilt."""
    return _copy(tmp_path / "larkmoor")


@pytest.fixture(scope="module")
def small_for_module(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same, one for all tests of a module."""
    return _copy(tmp_path_factory.mktemp("small") / "larkmoor")


def _copy(folder: Path) -> Path:
    shutil.copytree(CHECKED_IN, folder, ignore=shutil.ignore_patterns("workspace", "truth"))
    return folder


@pytest.hookimpl(wrapper=True)
def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> Iterator[None]:
    yield
    for text in told:
        terminalreporter.section("published verdicts against the planted truth")
        terminalreporter.write_line(text)
