"""Runs the command line in this process and asks the published results."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import duckdb
from typer.testing import CliRunner

from pipelines import cli
from tests.acceptance.scoring import Score

ACCOUNTS, MONTHS, SEED = 60, 13, 11

told: Final[list[str]] = []
"""Texts for the end of the test run."""


@dataclass(frozen=True)
class Ended:
    """How a command ended: its exit code and all that it printed."""

    code: int
    text: str


@dataclass(frozen=True)
class Swept:
    """A demo folder whose sweep has ended."""

    folder: Path
    ended: Ended

    def rows(self, sql: str) -> list[tuple]:
        """Rows of a query on the published results."""
        return ask(self.folder, sql)


def run(*words: str | Path) -> Ended:
    """Run one command; an exception that escapes it would be a traceback to a user."""
    result = CliRunner().invoke(cli.app, [str(w) for w in words])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return Ended(result.exit_code, " ".join(result.output.split()))


def results_of(folder: Path) -> Path:
    """The published database of a demo folder."""
    return folder / "workspace" / "published" / "results.duckdb"


def ask(folder: Path, sql: str) -> list[tuple]:
    """Rows of a query on the results published for a folder."""
    with duckdb.connect(str(results_of(folder)), read_only=True) as connection:
        return connection.execute(sql).fetchall()


def sweep_demo(folder: Path, *, accounts: int, seed: int = SEED) -> Swept:
    """Make and sweep a demo of so many accounts."""
    size = ("--accounts", str(accounts), "--months", str(MONTHS), "--seed", str(seed))
    assert run("demo", folder, *size).code == 0
    return Swept(folder, run("sweep", folder / "sweep.yaml"))


def tell(result: Score, what: str) -> Score:
    """Keep a score's table for the end of the test run."""
    told.append(f"{what}\n{result.text}")
    return result
