"""The working database's log as a power failure leaves it: cut short, changed, or gone.

The sweep died when its files were loaded and the log not yet written into the database.
"""

from __future__ import annotations

import random
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.faults.told import GOOD_READS, logged_utility, refused, told
from tests.pipelines.small_utility import published_tables

# Dies when all files are loaded, with the database open.
CHILD = """
import os, signal, sys
from pipelines.stages.land import land
land.compare_clocks = lambda *_: os.kill(os.getpid(), signal.SIGKILL)
from pipelines.cli import main
sys.argv = ["rightsize", "sweep", sys.argv[1], "--workers", "1"]
main()
"""
CUTS = ("gone", *range(4))
pytestmark = pytest.mark.heavy


@pytest.fixture(scope="module")
def swept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A utility that was swept, with one more export."""
    config = logged_utility(tmp_path_factory.mktemp("swept") / "utility")
    assert told("sweep", config, "--workers", "1").code in (0, 3)
    more = GOOD_READS.replace(",1,A", ",3,A").replace("2025-06-01", "2025-06-02")
    (config.parent / "exports" / "more.csv").write_text(more)
    return config.parent


@pytest.fixture(scope="module")
def died(swept: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same, whose second sweep died with a log that holds what it loaded."""
    folder = tmp_path_factory.mktemp("died") / "utility"
    shutil.copytree(swept, folder, symlinks=True)
    words = [sys.executable, "-c", CHILD, str(folder / "sweep.yaml")]
    assert subprocess.run(words, capture_output=True, check=False).returncode == -9
    assert log_of(folder / "sweep.yaml").stat().st_size > 1000
    return folder


@pytest.fixture(scope="module")
def whole(swept: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[tuple]]:
    """What an undisturbed sweep publishes."""
    folder = tmp_path_factory.mktemp("whole") / "utility"
    shutil.copytree(swept, folder, symlinks=True)
    assert told("sweep", folder / "sweep.yaml", "--workers", "1").code in (0, 3)
    return published_tables(folder / "sweep.yaml")


def log_of(config: Path) -> Path:
    return config.parent / "workspace" / "work.duckdb.wal"


@pytest.fixture
def config(died: Path, tmp_path: Path) -> Path:
    shutil.copytree(died, tmp_path / "utility", symlinks=True)
    return tmp_path / "utility" / "sweep.yaml"


@pytest.mark.parametrize("cut", CUTS)
def test_a_log_cut_short_loses_no_read(config: Path, whole, cut: int | str):
    log = log_of(config)
    content = log.read_bytes()
    log.unlink()
    if cut != "gone":
        log.write_bytes(content[: random.Random(f"cut {cut}").randrange(len(content))])
    assert told("sweep", config, "--workers", "1").code in (0, 3)
    assert published_tables(config) == whole


@pytest.mark.parametrize("seed", range(3))
def test_a_log_with_a_flipped_bit_is_told_and_nothing_is_published(config: Path, seed: int):
    log, rng = log_of(config), random.Random(f"flip {seed}")
    before = published_tables(config)
    content = bytearray(log.read_bytes())
    content[rng.randrange(len(content))] ^= 1 << rng.randrange(8)
    log.write_bytes(content)
    refused(told("sweep", config, "--workers", "1"), "restore it", codes=(2,))
    assert published_tables(config) == before
