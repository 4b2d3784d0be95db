"""Nobody but its user reads a workspace; a group reads what is published, if so configured."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
import yaml

from pipelines.configuration.load_settings import load
from pipelines.pages.evidence import write_site_pages
from pipelines.store.private_files import close_folder, group_id, is_own_folder, open_to_group
from pipelines.store.workspace import Workspace
from pipelines.sweep.sweep import run_sweep
from rightsize.errors import ConfigError
from tests.pipelines.small_utility import quick_utility

OTHER_GROUP, OTHER_USER = 54321, 54322  # of nobody on any host, which a number may name
IS_ROOT = os.geteuid() == 0


@pytest.fixture
def open_umask() -> Iterator[None]:
    """The usual mask of a login, under which new files are readable by all."""
    before = os.umask(0o022)
    yield
    os.umask(before)


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def below(folder: Path) -> Iterator[Path]:
    yield folder
    yield from (p for p in folder.rglob("*") if not p.is_symlink())


def command(*words: str | Path) -> None:
    """A command as a user starts it: a process of its own, with the mask of a login."""
    program = "import os, sys; os.umask(0o022); from pipelines.cli import main; main()"
    ended = subprocess.run(
        [sys.executable, "-c", program, *map(str, words)],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert ended.returncode in (0, 3), ended.stderr


@pytest.mark.usefixtures("open_umask")
def test_a_command_leaves_nothing_that_another_user_can_read(tmp_path):
    config = quick_utility(tmp_path / "utility")
    command("sweep", config)
    answer = tmp_path / "answer.csv"
    command("query", config, "select account_id from latest_recommendation", "--to", answer)
    workspace = config.parent / "workspace"
    assert (workspace / "published" / "pages" / "index.html").is_file()
    for path in (*below(workspace), answer):
        assert mode(path) == (0o700 if path.is_dir() else 0o600), path


@pytest.mark.usefixtures("open_umask")
def test_a_workspace_that_was_open_is_closed_by_the_next_sweep(tmp_path):
    workspace = Workspace(tmp_path / "workspace")
    workspace.root.mkdir(mode=0o777)
    with workspace.hold():
        assert mode(workspace.root) == 0o700


@pytest.mark.usefixtures("open_umask")
def test_the_library_makes_no_open_workspace_either(tmp_path):
    workspace = Workspace(tmp_path / "deep" / "workspace")
    workspace.create()
    assert mode(workspace.root) == 0o700


@pytest.fixture(scope="module")
def swept() -> Iterator[Path]:
    """A swept utility with a group of readers, where other users reach its folder."""
    group = OTHER_GROUP if IS_ROOT else os.getegid()
    with tempfile.TemporaryDirectory(prefix="modes-") as folder:
        Path(folder).chmod(0o755)
        before = os.umask(0o077)
        config = quick_utility(Path(folder) / "utility")
        config.parent.chmod(0o755)
        settings = yaml.safe_load(config.read_text())
        settings["results_group"] = str(group)
        config.write_text(yaml.safe_dump(settings))
        loaded = load(config)
        assert run_sweep(loaded, workers=1).published is not None
        (account,) = [*accounts_of(loaded.workspace)][:1]
        write_site_pages(loaded, [account])
        yield config
        os.umask(before)


class TestGroup:
    def test_the_group_reads_what_is_published_and_nothing_else(self, swept):
        group = group_id(load(swept).settings.results_group or "")
        root = swept.parent / "workspace"
        published = root / "published"
        assert mode(root) == 0o710
        for path in below(published):
            assert mode(path) == (0o750 if path.is_dir() else 0o640), path
            assert path.stat().st_gid == group
        for path in root.iterdir():
            if path != published:
                assert mode(path) == (0o700 if path.is_dir() else 0o600), path

    @pytest.mark.skipif(not IS_ROOT, reason="only root may start a process of another user")
    @pytest.mark.parametrize(("groups", "may"), [([OTHER_GROUP], True), ([], False)])
    def test_another_user_reads_pages_only_in_the_group(self, swept, groups, may):
        root = swept.parent / "workspace"
        page = root / "published" / "pages" / "index.html"
        site = next((root / "published" / "pages" / "sites").glob("site-*.html"))
        for path in (page, site, root / "published" / "results.duckdb"):
            assert readable(path, groups) is may, path
        for path in (root, root / "work.duckdb", root / "lake", root / "logs"):
            assert not readable(path, groups), path

    def test_without_the_group_the_next_sweep_closes_the_door(self, swept):
        settings = yaml.safe_load(swept.read_text())
        other = swept.with_name("closed.yaml")
        other.write_text(yaml.safe_dump({**settings, "results_group": None}))
        outcome = run_sweep(load(other), workers=1)
        assert outcome.published is None  # who may read changes no result
        assert mode(swept.parent / "workspace") == 0o700


def accounts_of(workspace: Workspace) -> list[str]:
    import duckdb

    with duckdb.connect(str(workspace.results), read_only=True) as connection:
        rows = connection.execute("select distinct account_id from latest_recommendation")
        return [account for (account,) in rows.fetchall()]


def readable(path: Path, groups: list[int]) -> bool:
    """Whether a user who is only in these groups can read a file or list a folder."""
    ended = subprocess.run(
        ["ls" if path.is_dir() else "cat", str(path)],
        user=OTHER_USER,
        group=OTHER_USER,
        extra_groups=groups,
        cwd="/",
        capture_output=True,
        check=False,
    )
    return ended.returncode == 0


def test_an_unknown_group_is_refused_before_anything_is_made(tmp_path):
    workspace = Workspace(tmp_path / "workspace", results_group="no such group")
    with pytest.raises(ConfigError, match="no group 'no such group' on this host"):
        workspace.create()
    assert not workspace.root.exists()


@pytest.mark.skipif(IS_ROOT, reason="root may give files to any group")
def test_a_group_of_others_is_refused():
    with pytest.raises(ConfigError, match="not in group"):
        group_id(str(OTHER_GROUP))


def test_a_disk_without_modes_is_used_with_a_warning(tmp_path, monkeypatch, caplog):
    def refused(self: Path, mode: int) -> None:
        raise PermissionError(1, "Operation not permitted")

    folder = tmp_path / "open"
    folder.mkdir()
    folder.chmod(0o755)  # whatever the process masks
    monkeypatch.setattr(Path, "chmod", refused)
    close_folder(folder)
    assert "cannot be set: Operation not permitted" in caplog.text


def test_links_and_files_that_vanish_are_no_matter(tmp_path):
    (tmp_path / "gone").symlink_to(tmp_path / "nowhere")
    open_to_group(tmp_path, os.getegid())
    assert mode(tmp_path) == 0o750


@pytest.mark.usefixtures("open_umask")
class TestFoldersOfOthers:
    """A workspace may be named where other things lie; those stay as they are."""

    def test_a_folder_with_the_configuration_stays_open_and_ours_in_it_is_closed(
        self, tmp_path
    ):
        config = quick_utility(tmp_path / "utility")
        for path in (config.parent, config.parent / "exports"):
            path.chmod(0o755)
        settings = yaml.safe_load(config.read_text())
        config.write_text(yaml.safe_dump({**settings, "workspace": "."}))
        for _ in range(2):
            with load(config).workspace.hold():
                load(config).workspace.create()
        assert mode(config.parent) == mode(config.parent / "exports") == 0o755
        for name in ("lake", "rejected", "published"):
            assert mode(config.parent / name) == 0o700
        assert mode(config.parent / "sweep.lock") == 0o600

    def test_a_folder_with_the_exports_stays_open(self, tmp_path):
        config = quick_utility(tmp_path / "utility")
        shared = tmp_path / "shared"
        shared.mkdir(mode=0o755)
        (config.parent / "exports").rename(shared / "exports")
        settings = yaml.safe_load(config.read_text())
        for export in settings["exports"]:
            export["path"] = str(shared / export["path"])
        config.write_text(yaml.safe_dump({**settings, "workspace": str(shared)}))
        for _ in range(2):
            with load(config).workspace.hold():
                load(config).workspace.create()
        assert mode(shared) == 0o755
        assert mode(shared / "lake") == 0o700

    def test_a_folder_of_everybody_stays_open(self, tmp_path):
        everybodys = tmp_path / "tmp"
        everybodys.mkdir()
        everybodys.chmod(0o1777)
        Workspace(everybodys).create()
        assert mode(everybodys) == 0o1777
        assert mode(everybodys / "lake") == 0o700
        assert not is_own_folder(Path("/"), (), ())

    def test_a_folder_with_other_things_stays_open(self, tmp_path):
        (tmp_path / "letters").mkdir()
        tmp_path.chmod(0o755)
        Workspace(tmp_path).create()
        assert mode(tmp_path) == mode(tmp_path / "letters") == 0o755
        assert mode(tmp_path / "published") == 0o700
