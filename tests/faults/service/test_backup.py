"""What the operations page says of backup, restore and moving a workspace."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from pipelines.configuration.load_settings import load
from pipelines.sweep.sweep import run_sweep
from tests.pipelines.small_utility import add_export, published_tables, quick_utility

LEFT_OUT = ("scratch", "landing", "assess", "prefect")


@pytest.fixture(scope="module")
def backed_up(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A swept utility's configuration, and the backup of its workspace."""
    folder = tmp_path_factory.mktemp("backup")
    config = quick_utility(folder / "utility")
    run_sweep(load(config), workers=2)
    shutil.copytree(
        config.parent / "workspace",
        folder / "backup",
        symlinks=True,
        ignore=shutil.ignore_patterns(*LEFT_OUT),
    )
    return config, folder / "backup"


def restored(backed_up: tuple[Path, Path], folder: Path, name: str = "workspace") -> Path:
    """The utility in another place, with its workspace from the backup."""
    config, backup = backed_up
    shutil.copytree(config.parent, folder, ignore=shutil.ignore_patterns("workspace"))
    shutil.copytree(backup, folder / name, symlinks=True)
    return folder / "sweep.yaml"


def test_a_restored_workspace_has_nothing_to_do(backed_up: tuple[Path, Path], tmp_path: Path):
    config = restored(backed_up, tmp_path / "new-machine")
    before = (config.parent / "workspace/published/results.duckdb").read_bytes()
    outcome = run_sweep(load(config), workers=2)
    assert outcome.published is None
    assert not outcome.landed.files, "files are known by their content, wherever they lie"
    assert (config.parent / "workspace/published/results.duckdb").read_bytes() == before


def test_a_backup_without_profiles_makes_them_again(
    backed_up: tuple[Path, Path], tmp_path: Path
):
    config = restored(backed_up, tmp_path / "no-profiles")
    shutil.rmtree(config.parent / "workspace" / "profile")
    outcome = run_sweep(load(config), workers=2)
    assert outcome.profiled.made == outcome.profiled.partitions > 0
    assert outcome.published is None, "made again, they rest on the same reads"


def test_with_the_published_history_alone_a_sweep_carries_it_on(
    backed_up: tuple[Path, Path], tmp_path: Path
):
    config = restored(backed_up, tmp_path / "history")
    for part in ("lake", "profile", "rejected"):
        shutil.rmtree(config.parent / "workspace" / part)
    (config.parent / "workspace" / "work.duckdb").unlink()
    add_export(config.parent)
    outcome = run_sweep(load(config), workers=2)
    assert len(outcome.landed.files) == 3
    assert len(published_tables(config)["sweep"]) == 2
