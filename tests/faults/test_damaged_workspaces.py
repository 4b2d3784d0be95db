"""A workspace in which something else stands in the place of a file or folder of ours."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.faults.told import refused, small_utility, told

HEAVY = pytest.mark.heavy
FOLDERS = ("lake", "lake/interval_read", "rejected", "profile", "assess", "published", "logs",
           "scratch", "landing")  # fmt: skip
FILES = ("work.duckdb", "sweep.lock", "learnt.json", "published/results.duckdb",
         "published/pages/drawn-by.txt", "lake_claim.json")  # fmt: skip
GARBAGE = {"words": b"garbage", "junk": bytes(range(256)) * 8, "empty": b"", "list": b"[1]",
           "deep": b"[" * 100_000, "null": b"null", "half": b'{"pid": 1'}  # fmt: skip
COMMANDS = {
    "sweep": ("--workers", "1"),
    "health": (),
    "query": ("select count(*) from sweep",),
    "rows": (),
    "program": ("--budget", "1000"),
    "evidence": ("A-1",),
}


@pytest.fixture(scope="module")
def swept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    config = small_utility(tmp_path_factory.mktemp("swept") / "utility")
    bad = "meter_id,interval_end,volume\nM1,never,1\n"
    (config.parent / "exports" / "bad.csv").write_text(bad)
    assert told("sweep", config, "--workers", "1").code in (0, 3)
    return config.parent


@pytest.fixture
def config(swept: Path, tmp_path: Path) -> Path:
    shutil.copytree(swept, tmp_path / "utility", symlinks=True)
    return tmp_path / "utility" / "sweep.yaml"


def put_aside(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    elif os.path.lexists(path):
        path.unlink()
    path.parent.mkdir(parents=True, exist_ok=True)


def file_for_folder(path: Path) -> None:
    path.write_text("a file")


def loop(path: Path) -> None:
    path.symlink_to(path)


def nowhere(path: Path) -> None:
    path.symlink_to("/nonexistent/place")


def folder_for_file(path: Path) -> None:
    (path / "inner").mkdir(parents=True)


def every_command_is_told(config: Path) -> None:
    """Each command ends by itself, with a code and no traceback."""
    for command, words in COMMANDS.items():
        refused(told(command, config, *words), codes=(0, 1, 2, 3))


@pytest.mark.parametrize(
    "how",
    [
        file_for_folder,
        pytest.param(loop, marks=HEAVY),
        pytest.param(nowhere, marks=HEAVY),
    ],
    ids=lambda f: f.__name__,
)
@pytest.mark.parametrize("name", FOLDERS)
def test_something_else_in_place_of_a_folder(
    config: Path, name: str, how: Callable[[Path], None]
) -> None:
    put_aside(config.parent / "workspace" / name)
    how(config.parent / "workspace" / name)
    every_command_is_told(config)


@pytest.mark.parametrize(
    "how",
    [
        pytest.param(folder_for_file, marks=HEAVY),
        pytest.param(loop, marks=HEAVY),
        pytest.param(nowhere, marks=HEAVY),
        os.mkfifo,
    ],
    ids=lambda f: f.__name__,
)
@pytest.mark.parametrize("name", FILES)
def test_something_else_in_place_of_a_file(
    config: Path, name: str, how: Callable[[Path], None]
) -> None:
    put_aside(config.parent / "workspace" / name)
    how(config.parent / "workspace" / name)
    every_command_is_told(config)


@pytest.mark.parametrize(
    "kind", [k if k in ("junk", "deep") else pytest.param(k, marks=HEAVY) for k in GARBAGE]
)
@pytest.mark.parametrize("name", FILES)
def test_garbage_in_a_file(config: Path, name: str, kind: str) -> None:
    put_aside(config.parent / "workspace" / name)
    (config.parent / "workspace" / name).write_bytes(GARBAGE[kind])
    every_command_is_told(config)


@pytest.mark.parametrize("kind", ["junk", "deep"])
def test_garbage_in_rejected_rows(config: Path, kind: str) -> None:
    (file,) = (config.parent / "workspace" / "rejected").glob("*.parquet")
    file.write_bytes(GARBAGE[kind])
    every_command_is_told(config)
    refused(told("rows", config), file.name, codes=(1, 2))
