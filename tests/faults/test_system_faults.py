"""The system under a sweep fails: one line, the old results kept, and the next run heals.

A full disk and a read-only one (mounts: as root only), too little memory, a clock that jumps
back, and files that vanish or grow while they are read.
"""

from __future__ import annotations

import datetime as dt
import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from pipelines.stages.land import land
from pipelines.sweep import sweep
from pipelines.sweep.stages import JUDGING_STAGES, PAGES_STAGE, READING_STAGES, Stage
from tests.faults.told import GOOD_READS, Told, refused, small_utility, told
from tests.pipelines.small_utility import published_tables

HEAVY = pytest.mark.heavy
STAGES = [stage.name for stage in (*READING_STAGES, *JUDGING_STAGES, PAGES_STAGE)]
QUICK = ("publish",)
ROOM_KB = 64 * 1024
MORE = GOOD_READS.replace(",1,A", ",3,A")


def some(names: list[Any], quick: tuple[Any, ...]) -> list[Any]:
    return [n if n in quick else pytest.param(n, marks=HEAVY) for n in names]


@pytest.fixture(scope="module")
def swept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    config = small_utility(tmp_path_factory.mktemp("swept") / "utility", buckets=2)
    bad = "meter_id,interval_end,volume\nM1,never,1\n"
    (config.parent / "exports" / "bad.csv").write_text(bad)
    assert told("sweep", config, "--workers", "1").code in (0, 3)
    return config.parent


def copied(swept: Path, folder: Path, workspace: bool = True) -> Path:
    """A copy of the utility with one more export; its configuration."""
    left_out = () if workspace else ("workspace",)
    shutil.copytree(swept, folder, symlinks=True, ignore=shutil.ignore_patterns(*left_out))
    (folder / "exports" / "more.csv").write_text(MORE)
    return folder / "sweep.yaml"


@pytest.fixture(scope="module")
def whole(swept: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[tuple]]:
    """What an undisturbed sweep publishes."""
    config = copied(swept, tmp_path_factory.mktemp("whole") / "utility")
    assert told("sweep", config, "--workers", "1").code in (0, 3)
    return published_tables(config)


@pytest.fixture
def config(swept: Path, tmp_path: Path) -> Path:
    return copied(swept, tmp_path / "utility")


@contextmanager
def mounted(*words: str | Path) -> Iterator[None]:
    """A mount at the last word, gone at the end; skips the test where none is to be had."""
    done = subprocess.run(["mount", *map(str, words)], capture_output=True, text=True)
    if done.returncode:
        pytest.skip(f"no mount to be had: {done.stderr.strip()}")
    try:
        yield
    finally:
        subprocess.run(["umount", "-l", str(words[-1])], check=True)


@pytest.fixture
def small_disk(swept: Path, tmp_path: Path) -> Iterator[Path]:
    """The utility with its workspace on a disk of its own."""
    config = copied(swept, tmp_path / "utility", workspace=False)
    place = config.parent / "workspace"
    place.mkdir()
    with mounted("-t", "tmpfs", "-o", f"size={ROOM_KB}k", "none", place):
        shutil.copytree(swept / "workspace", place, symlinks=True, dirs_exist_ok=True)
        yield config


def fill(workspace: Path, left_kb: int) -> Path:
    """Fill the disk, up to so much."""
    filler = workspace / "filler"
    free = shutil.disk_usage(workspace).free - left_kb * 1024
    with filler.open("wb") as file:
        os.posix_fallocate(file.fileno(), 0, max(free, 4096))
    return filler


def before_stage(monkeypatch: pytest.MonkeyPatch, name: str, act: Callable[[], object]) -> None:
    run = Stage.run

    def watched(stage: Stage, state: Any) -> None:
        if stage.name == name:
            act()
        run(stage, state)

    monkeypatch.setattr("pipelines.sweep.sweep.run_stages.__defaults__", (watched,))
    monkeypatch.setattr(
        "pipelines.sweep.sweep.sweep_with.__kwdefaults__", {"call": watched, "progress": None}
    )


def sweep_of(config: Path) -> Told:
    return told("sweep", config, "--workers", "1")


def told_in_a_line(outcome: Told, *words: str) -> None:
    refused(outcome, *words, codes=(1, 2, 3))
    assert len([n for n in outcome.said.splitlines() if n.startswith("rightsize: ")]) == 1


def heals(config: Path, whole: dict[str, list[tuple]]) -> None:
    assert sweep_of(config).code in (0, 3)
    assert published_tables(config) == whole


LEVELS_KB = [0, 4, 16, 64, 128, 256, 512, 1024, 2048, 3072, 4096, 6144, 8192, 12288, 16384]


@pytest.mark.parametrize("left_kb", some(LEVELS_KB, (512,)))
def test_a_full_disk_is_told_in_a_line(
    small_disk: Path, whole: dict[str, list[tuple]], left_kb: int
):
    before = published_tables(small_disk)
    filler = fill(small_disk.parent / "workspace", left_kb)
    outcome = sweep_of(small_disk)
    if outcome.code in (0, 3) and outcome.escaped is None and "no space" not in outcome.said:
        assert published_tables(small_disk) in (before, whole)
    else:
        told_in_a_line(outcome)
        assert published_tables(small_disk) in (before, whole)
    filler.unlink()
    heals(small_disk, whole)


@pytest.mark.parametrize("stage", some(STAGES, QUICK))
def test_a_disk_that_fills_up_before_a_stage(
    small_disk: Path,
    whole: dict[str, list[tuple]],
    monkeypatch: pytest.MonkeyPatch,
    stage: str,
):
    before, workspace = published_tables(small_disk), small_disk.parent / "workspace"
    with monkeypatch.context() as patch:
        before_stage(patch, stage, lambda: fill(workspace, 0))
        outcome = sweep_of(small_disk)
    if outcome.code not in (0, 3) or outcome.escaped is not None:
        told_in_a_line(outcome)
    assert published_tables(small_disk) in (before, whole)
    (workspace / "filler").unlink()
    heals(small_disk, whole)


@pytest.mark.parametrize("stage", some(STAGES, QUICK))
def test_a_disk_that_turns_read_only_before_a_stage(
    config: Path, whole: dict[str, list[tuple]], monkeypatch: pytest.MonkeyPatch, stage: str
):
    before, workspace = published_tables(config), config.parent / "workspace"

    def turn() -> None:
        if subprocess.run(["mount", "--bind", workspace, workspace]).returncode:
            pytest.skip("no mount to be had")
        subprocess.run(["mount", "-o", "remount,bind,ro", workspace], check=True)

    try:
        with monkeypatch.context() as patch:
            before_stage(patch, stage, turn)
            outcome = sweep_of(config)
    finally:
        subprocess.run(["umount", "-l", str(workspace)])
    told_in_a_line(outcome)
    assert "read-only" in outcome.said.lower()
    assert published_tables(config) in (before, whole)
    heals(config, whole)


def test_too_little_memory_is_told_in_a_line(
    config: Path, whole: dict[str, list[tuple]], monkeypatch: pytest.MonkeyPatch
):
    before = published_tables(config)
    for limit in ("1KB", "300KB", "nonsense"):
        with monkeypatch.context() as patch:
            patch.setenv("RIGHTSIZE_MEMORY", limit)
            told_in_a_line(sweep_of(config))
        assert published_tables(config) == before
    heals(config, whole)


def test_a_clock_that_jumps_back_is_told_and_changes_nothing(
    config: Path, whole: dict[str, list[tuple]], monkeypatch: pytest.MonkeyPatch
):
    before = published_tables(config)

    class Yesterday(dt.datetime):
        @classmethod
        def now(cls, tz: dt.tzinfo | None = None) -> dt.datetime:
            return dt.datetime.now(tz) - dt.timedelta(days=1)

    class Clock:
        datetime, UTC, timedelta = Yesterday, dt.UTC, dt.timedelta

    with monkeypatch.context() as patch:
        patch.setattr(sweep, "dt", Clock)
        told_in_a_line(sweep_of(config), "clock")
    assert published_tables(config) == before
    heals(config, whole)


@pytest.mark.parametrize("how", ["vanishes", "grows", "shrinks"])
def test_an_export_that_changes_while_it_is_read_lands_next_time(
    config: Path, whole: dict[str, list[tuple]], monkeypatch: pytest.MonkeyPatch, how: str
):
    before, export = published_tables(config), config.parent / "exports" / "more.csv"
    real = land.land_file

    def changed(*args: Any) -> Any:
        landed = real(*args)
        if how == "vanishes":
            export.unlink()
        else:
            export.write_text(MORE + MORE if how == "grows" else MORE[:-5])
        return landed

    with monkeypatch.context() as patch:
        patch.setattr(land, "land_file", changed)
        outcome = sweep_of(config)
    assert outcome.code == 3
    assert "more.csv" in outcome.printed
    assert published_tables(config) == before
    export.write_text(MORE)
    heals(config, whole)


VANISHING = {
    "lake": ("profile", "lake/*_read/*/*/*.parquet"),
    "profile": ("learn", "profile/*/*/*/month_stat.parquet"),
    "balance": ("reconcile", "profile/*/*/*/balance.parquet"),
    "block": ("reconcile", "assess/*/not_assessed/*.parquet"),
    "done": ("reconcile", "assess/*/done/*.json"),
    "rejected": ("reconcile", "rejected/*.parquet"),
    "results": ("publish", "published/results.duckdb"),
}


@pytest.mark.parametrize("kind", some(list(VANISHING), ("lake", "block")))
@pytest.mark.parametrize("how", ["vanishes", pytest.param("is damaged", marks=HEAVY)])
def test_a_file_that_vanishes_during_a_sweep_is_told(
    config: Path,
    whole: dict[str, list[tuple]],
    monkeypatch: pytest.MonkeyPatch,
    kind: str,
    how: str,
):
    stage, pattern = VANISHING[kind]
    workspace = config.parent / "workspace"
    held: dict[Path, bytes] = {}

    def take() -> None:
        for file in workspace.glob(pattern):
            held[file] = file.read_bytes()
            if how == "vanishes":
                file.unlink()
            else:
                middle = len(held[file]) // 2
                changed = bytearray(held[file])
                changed[middle] ^= 1
                file.write_bytes(changed)

    with monkeypatch.context() as patch:
        before_stage(patch, stage, take)
        outcome = sweep_of(config)
    assert held
    if kind == "results":  # a new history starts, as on the first day; or the file is whole
        assert outcome.escaped is None
        return
    told_in_a_line(outcome)
    assert outcome.code == (1 if kind == "rejected" and how == "vanishes" else 2)
    if kind in ("lake", "rejected"):  # of which nothing else has the content
        for file, content in held.items():
            file.write_bytes(content)
    heals(config, whole)
