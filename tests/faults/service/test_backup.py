"""What the operations page says of backup, restore and moving a workspace."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
from pathlib import Path

import pytest

from pipelines.commands.health import State
from pipelines.commands.scrub import scrub
from pipelines.configuration.load_settings import load
from pipelines.sweep.sweep import run_sweep
from tests.pipelines.small_utility import add_export, published_tables, quick_utility

PAGE = Path(__file__).parents[3] / "rightsize" / "handbook" / "operations.md"
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


def commands_of_the_page() -> list[list[str]]:
    """The lines that back up and restore, as the operations page says them."""
    section = PAGE.read_text().partition("## Backup and restore")[2]
    (block,) = re.findall(r"```sh\n(.*?)```", section, re.S)[:1]
    return [shlex.split(line, comments=True) for line in block.strip().splitlines()]


def run_as_said(words: list[str], folder: Path) -> None:
    """Run one of them; without rsync on this machine, do what it would do."""
    if shutil.which(words[0]):
        subprocess.run(words, cwd=folder, check=True)
        return
    assert words[0] == "rsync"
    left_out = [words[n + 1] for n, word in enumerate(words) if word == "--exclude"]
    source, target = folder / words[-2], folder / words[-1]
    if "--delete" in words:
        shutil.rmtree(target, ignore_errors=True)
    shutil.copytree(
        source,
        target,
        symlinks=True,
        dirs_exist_ok=True,
        ignore=shutil.ignore_patterns(*left_out),
    )


@pytest.mark.heavy_ci
@pytest.mark.heavy
def test_the_restore_drill(backed_up: tuple[Path, Path], tmp_path: Path):
    """Back up, destroy, restore by the page's own lines: nothing is lost."""
    folder = tmp_path / "utility"
    shutil.copytree(backed_up[0].parent, folder, symlinks=True)
    undisturbed = tmp_path / "undisturbed"
    shutil.copytree(backed_up[0].parent, undisturbed, symlinks=True)
    back_up, restore = commands_of_the_page()
    assert set(LEFT_OUT) == {back_up[n + 1] for n, w in enumerate(back_up) if w == "--exclude"}
    results = folder / "workspace" / "published" / "results.duckdb"
    before = results.read_bytes()

    run_as_said(back_up, folder)
    shutil.rmtree(folder / "workspace")
    run_as_said(restore, folder)

    config = folder / "sweep.yaml"
    assert all(check.state is State.ok for check in scrub(load(config).workspace))
    outcome = run_sweep(load(config), workers=2)
    assert outcome.published is None
    assert not outcome.landed.files
    assert results.read_bytes() == before
    for place in (folder, undisturbed):
        add_export(place)
        assert run_sweep(load(place / "sweep.yaml"), workers=2).published is not None
    assert published_tables(config) == published_tables(undisturbed / "sweep.yaml")
