"""Exports from an object store, and a copy of the results in one; here one in memory."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import yaml
from fsspec.implementations.memory import MemoryFileSystem
from rich.console import Console

from pipelines.configuration.load_settings import load
from pipelines.sources.fetch import fetch_exports
from pipelines.stages.publish.copy_results import copy_results, latest
from pipelines.store.object_store import store_of
from pipelines.store.workspace import Workspace
from pipelines.sweep.sweep import run_sweep, show_outcome
from rightsize.errors import ConfigError, StoreError
from tests.pipelines.small_utility import CHECKED_IN, published_tables, quick_utility

pytestmark = [pytest.mark.heavy, pytest.mark.heavy_ci]  # half a minute or more

URL = "memory://utility/results"
JANUARY, FEBRUARY = "reads_2025-01.csv.gz", "reads_2025-02.csv.gz"


@pytest.fixture
def config(tmp_path: Path, store: MemoryFileSystem) -> Path:
    """The quick utility, with the interval reads in the store and a copy of the results."""
    config = quick_utility(tmp_path / "remote")
    (config.parent / "exports" / JANUARY).unlink()
    put(store, JANUARY)
    change(config, "memory://utility/exports/reads*.csv*")
    return config


def put(store: MemoryFileSystem, name: str) -> None:
    store.pipe_file(f"/utility/exports/{name}", (CHECKED_IN / "exports" / name).read_bytes())


def change(config: Path, path: str, **others: object) -> None:
    settings = yaml.safe_load(config.read_text())
    settings["exports"][0]["path"] = path
    settings = {**settings, "copy_results_to": URL, **others}
    config.write_text(yaml.safe_dump(settings, sort_keys=False))


def test_reads_of_a_store_give_the_results_of_the_same_files(
    config: Path, store: MemoryFileSystem, plain: Path
):
    run_sweep(load(config), workers=2)
    ours, theirs = published_tables(config), published_tables(plain)
    for table in ("profile", "recommendation", "finding", "landed_file"):
        assert ours[table] == theirs[table], table
    outcome = run_sweep(load(config), workers=2)
    assert (outcome.published, outcome.landed.files) == (None, ())
    put(store, FEBRUARY)
    assert len(run_sweep(load(config), workers=2).landed.files) == 1


def test_a_copy_follows_its_object(config: Path, store: MemoryFileSystem):
    loaded = load(config)
    workspace = Workspace(loaded.workspace_root)
    assert fetch_exports(loaded, workspace) == 1
    assert fetch_exports(loaded, workspace) == 0
    store.pipe_file(f"/utility/exports/{JANUARY}", b"other")
    store.pipe_file("/utility/exports/notes.txt", b"no export")
    assert fetch_exports(loaded, workspace) == 1
    copy = workspace.fetched / "memory/utility/exports" / JANUARY
    assert copy.read_bytes() == b"other"
    store.rm(f"/utility/exports/{JANUARY}")
    assert fetch_exports(loaded, workspace) == 0
    assert not copy.exists()


def test_an_object_that_does_not_come_whole_is_no_copy(
    config: Path, monkeypatch: pytest.MonkeyPatch
):
    def cut(self: MemoryFileSystem, name: str, target: str, **_: object) -> None:
        Path(target).write_bytes(self.cat_file(name)[:100])

    monkeypatch.setattr(MemoryFileSystem, "get_file", cut)
    loaded = load(config)
    workspace = Workspace(loaded.workspace_root)
    with pytest.raises(StoreError, match=r"incomplete download, 100 of [\d,]+ bytes"):
        fetch_exports(loaded, workspace)
    assert not [p for p in workspace.fetched.rglob("*") if p.is_file()]


def test_the_store_gets_each_publication_whole_and_keeps_the_one_before(
    config: Path, store: MemoryFileSystem
):
    first = run_sweep(load(config), workers=2).sweep_id
    said = latest(URL)
    assert said["sweep_id"] == first
    results = config.parent / "workspace" / "published" / "results.duckdb"
    assert store.cat_file(f"/utility/results/sweeps/{first}/results.duckdb") == (
        results.read_bytes()
    )
    assert {f["name"].split("/")[0] for f in said["files"]} == {"results.duckdb", "parquet"}
    put(store, FEBRUARY)
    second = run_sweep(load(config), workers=2).sweep_id
    kept = {p.rsplit("/", 1)[-1] for p in store.ls("/utility/results/sweeps", detail=False)}
    assert (latest(URL)["sweep_id"], kept) == (second, {first, second})


def test_what_leaves_is_told_each_time_and_only_then(
    config: Path, store: MemoryFileSystem, capsys: pytest.CaptureFixture[str]
):
    for leaves in (True, False):
        outcome = run_sweep(load(config), workers=2)
        show_outcome(outcome, Console(width=200))
        told = f"copied to {URL}: all published tables, customers' names and addresses"
        assert (told in capsys.readouterr().out) is leaves


def test_a_copy_that_failed_shows_the_publication_before_and_is_made_by_the_next_sweep(
    config: Path, store: MemoryFileSystem, monkeypatch: pytest.MonkeyPatch
):
    first = run_sweep(load(config), workers=2).sweep_id
    put(store, FEBRUARY)

    def refuse(self: MemoryFileSystem, source: str, target: str, **_: object) -> None:
        if "parquet" in target:
            raise PermissionError("no room in the bucket")
        self.pipe_file(target, Path(source).read_bytes())

    with monkeypatch.context() as patch:
        patch.setattr(MemoryFileSystem, "put_file", refuse)
        with pytest.raises(StoreError, match="utility/results: PermissionError: no room"):
            run_sweep(load(config), workers=2)
    assert latest(URL)["sweep_id"] == first
    assert run_sweep(load(config), workers=2).published is None
    assert latest(URL)["sweep_id"] > first
    assert len(published_tables(config)["sweep"]) == 2


def test_what_cannot_be_a_store_is_refused(config: Path, tmp_path: Path):
    for url, said in (
        ("nowhere://bucket/x", "unknown URL scheme"),
        ("file:///data/x", "give local files as a path, not a URL"),
    ):
        with pytest.raises(ConfigError, match=said):
            store_of(url)
    change(config, "memory://utility/nothing/*.csv")
    with pytest.raises(ConfigError, match="no file matches memory://utility/nothing"):
        run_sweep(load(config), workers=2)
    change(config, "exports/*", copy_results_to="results")
    with pytest.raises(ConfigError, match="copy_results_to"):
        load(config)


def test_a_key_that_would_leave_the_workspace_is_refused(
    config: Path, store: MemoryFileSystem, monkeypatch: pytest.MonkeyPatch
):
    def glob(self: MemoryFileSystem, pattern: str, **_: object) -> dict[str, dict]:
        return {"utility/../../reads.csv": {"type": "file", "size": 1}}

    monkeypatch.setattr(MemoryFileSystem, "glob", glob)
    loaded = load(config)
    with pytest.raises(StoreError, match="outside the workspace"):
        fetch_exports(loaded, Workspace(loaded.workspace_root))


def test_the_manifest_holds_size_and_hash_of_every_file(config: Path, store: MemoryFileSystem):
    import hashlib

    outcome = run_sweep(load(config), workers=2)
    assert copy_results(outcome.workspace, outcome.sweep_id, URL) == len(latest(URL)["files"])
    said = json.loads(store.cat_file("/utility/results/latest.json"))
    for file in said["files"]:
        content = store.cat_file(f"/utility/results/{said['folder']}/{file['name']}")
        assert len(content) == file["bytes"]
        assert hashlib.sha256(content).hexdigest() == file["sha256"]
