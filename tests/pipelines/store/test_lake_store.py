"""Lake and profiles in an object store, here one in memory: results as from a disk."""

from __future__ import annotations

import gzip
import shutil
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import pytest
import yaml
from fsspec.implementations.memory import MemoryFileSystem

from pipelines.commands.flagged_rows import Wanted, flagged
from pipelines.commands.preview import preview
from pipelines.configuration.load_settings import Loaded, load
from pipelines.pages.evidence import write_site_pages
from pipelines.store.workspace import Workspace
from pipelines.sweep import stages as sweep_stages
from pipelines.sweep.state import SweepOrder
from pipelines.sweep.sweep import run_sweep, sweep_with
from pipelines.work.bucket_work import Pool
from pipelines.work.cluster import tried_store
from rightsize.errors import BalanceError, ConfigError, StoreError
from tests.pipelines.small_utility import LATER, add_export, published_tables, quick_utility

pytestmark = [pytest.mark.heavy, pytest.mark.heavy_ci]  # half a minute or more

LAKE = "memory://utility/lake-of-larkmoor"
KEPT = "/utility/lake-of-larkmoor"


@pytest.fixture
def config(tmp_path: Path, store: MemoryFileSystem) -> Path:
    """The quick utility with its lake in the store."""
    return with_lake(quick_utility(tmp_path / "stored"), LAKE)


def with_lake(config: Path, url: str | None, **others: object) -> Path:
    settings = {**yaml.safe_load(config.read_text()), **others}
    settings.pop("lake", None)
    config.write_text(yaml.safe_dump(settings | ({"lake": url} if url else {})))
    return config


def stand_still(config: Path) -> None:
    """Let the register of the walk-by export stand still for three days, then go on."""
    path = config.parent / "exports" / "walkby_2025-01.csv.gz"
    lines = gzip.decompress(path.read_bytes()).decode().splitlines()
    for k in range(200, 272):
        serial, at, _, status = lines[k].split(",")
        lines[k] = ",".join((serial, at, lines[199].split(",")[2], status))
    path.write_bytes(gzip.compress("\n".join(lines).encode()))


def objects(store: MemoryFileSystem, below: str) -> set[str]:
    return {name.removeprefix(f"{KEPT}/") for name in store.find(f"{KEPT}/{below}")}


@contextmanager
def far_pool() -> Iterator[Pool]:
    """Workers that are told to leave what they make in the store."""
    with ThreadPoolExecutor(2) as threads:
        yield Pool(threads, sees_workspace=False)


def left_over(loaded: Loaded) -> list[Path]:
    """What lies in the workspace where nothing may stay after a sweep."""
    parts = ("scratch", "lake", "profile", "landing")
    return [p for part in parts for p in (loaded.workspace_root / part).rglob("*")]


def test_a_lake_in_a_store_gives_the_results_of_one_on_disk(
    config: Path, store: MemoryFileSystem, tmp_path: Path
):
    plain = quick_utility(tmp_path / "plain")
    for each in (plain, config):
        stand_still(each)
    for added in (False, True):
        if added:
            add_export(plain.parent)
            add_export(config.parent)
        run_sweep(load(plain), workers=2)
        run_sweep(load(config), workers=2)
        assert published_tables(config) == published_tables(plain)
        assert left_over(load(config)) == []
    assert "stuck_register" in {f[2] for f in published_tables(config)["finding"]}
    on_disk = {
        p.relative_to(load(plain).workspace_root).as_posix()
        for p in load(plain).workspace.lake.rglob("*.parquet")
    }
    assert objects(store, "lake") == on_disk
    assert run_sweep(load(config), workers=2).published is None, "a night without news"


def test_what_looks_into_the_lake_finds_it_in_the_store(
    config: Path, store: MemoryFileSystem, tmp_path: Path
):
    plain = quick_utility(tmp_path / "plain")
    said = []
    for each in (plain, config):
        run_sweep(load(each), workers=2)
        with flagged(load(each), Wanted()) as connection:
            rows = connection.sql(
                "select parse_filename(source_file), * exclude (source_file) from flagged_row "
                "order by all"
            ).fetchall()
        account = published_tables(each)["not_assessed"][0][0]
        with ThreadPoolExecutor(1) as threads:
            seen = preview(load(each), [account], Pool(threads)).to_dicts()
        (page,) = write_site_pages(load(each), [account], folder=each.parent / "p", workers=1)
        said.append((rows, seen, page.name, page.stat().st_size > 20_000))
    assert said[0] == said[1]
    assert said[0][0], "rows are refused or flagged in this export"


def test_workers_without_our_disk_give_the_same_and_leave_nothing(
    config: Path, store: MemoryFileSystem, plain: Path
):
    with far_pool() as pool:
        sweep_with(load(config), SweepOrder(), pool)
    assert published_tables(config) == published_tables(plain)
    assert objects(store, "assess") == set()


def test_a_stopped_sweep_of_far_workers_goes_on_from_the_buckets_in_the_store(
    config: Path, store: MemoryFileSystem, monkeypatch: pytest.MonkeyPatch
):
    real, asked = sweep_stages.assess_bucket, []

    def breaks(*arguments: object, **named: object) -> object:
        asked.append(arguments[1].bucket)
        if len(asked) > 2:
            raise RuntimeError("the power went")
        return real(*arguments, **named)

    with monkeypatch.context() as patch, far_pool() as pool:
        patch.setattr(sweep_stages, "assess_bucket", breaks)
        with pytest.raises(RuntimeError, match="the power went"):
            sweep_with(load(config), SweepOrder(), pool)
    done = {a.split("/")[2] for a in objects(store, "assess") if a.endswith("/complete")}
    assert 1 <= len(done) <= 2
    shutil.rmtree(load(config).workspace.assess)
    asked.clear()

    def counts(*arguments: object, **named: object) -> object:
        asked.append(f"bucket={arguments[1].bucket}")
        return real(*arguments, **named)

    monkeypatch.setattr(sweep_stages, "assess_bucket", counts)
    with far_pool() as pool:
        outcome = sweep_with(load(config), SweepOrder(), pool)
    assert outcome.published is not None
    assert done.isdisjoint(asked)
    assert asked


@pytest.mark.parametrize("stops_at", [1, 3, 5])
@pytest.mark.parametrize("stops_by", [KeyboardInterrupt(), PermissionError("no entry")])
def test_a_landing_that_breaks_in_the_store_is_taken_back(
    stops_at: int,
    stops_by: BaseException,
    config: Path,
    store: MemoryFileSystem,
    plain: Path,
    monkeypatch: pytest.MonkeyPatch,
):
    """The store takes some of a file's parts and no more: by a stop, or as it refuses."""
    put, puts = MemoryFileSystem.put_file, []

    def breaks(self: MemoryFileSystem, source: str, target: str, **named: object) -> None:
        if len(puts) >= stops_at:
            raise stops_by
        puts.append(target)
        put(self, source, target, **named)

    stopped = KeyboardInterrupt if isinstance(stops_by, KeyboardInterrupt) else StoreError
    with monkeypatch.context() as patch:
        patch.setattr(MemoryFileSystem, "put_file", breaks)
        with pytest.raises(stopped):
            run_sweep(load(config), workers=2)
    counted = {Path(name).stem for name in objects(store, "lake")}
    marked = {p.name for p in (load(config).workspace_root / "landing").iterdir()}
    assert len(puts) == stops_at
    assert len(marked) == 1, "the next landing knows what was under way"
    run_sweep(load(config), workers=2)
    assert published_tables(config) == published_tables(plain)
    landed = {row[0] for row in published_tables(plain)["landed_file"]}
    assert {Path(name).stem for name in objects(store, "lake")} == landed
    assert counted <= landed


def test_a_profile_counts_from_its_last_object_and_old_ones_go(
    config: Path, store: MemoryFileSystem
):
    first = run_sweep(load(config), workers=2)
    name = first.profiled.folders[0].relative_to(load(config).workspace_root).as_posix()
    before = objects(store, "profile")
    store.rm_file(f"{KEPT}/{name}/complete")
    store.rm_file(f"{KEPT}/{name}/balance.parquet")
    again = run_sweep(load(config), workers=2)
    assert (again.profiled.made, objects(store, "profile")) == (1, before)
    add_export(config.parent)
    later = run_sweep(load(config), workers=2)
    assert later.profiled.made > 1
    marks = {o.removesuffix("/complete") for o in objects(store, "profile") if "complete" in o}
    root = load(config).workspace_root
    assert marks == {f.relative_to(root).as_posix() for f in later.profiled.folders}
    full = run_sweep(load(config), SweepOrder(full=True), workers=2)
    assert full.profiled.made == full.profiled.partitions


def test_registers_are_not_fetched_again_to_find_their_gaps(
    config: Path, store: MemoryFileSystem, monkeypatch: pytest.MonkeyPatch
):
    run_sweep(load(config), workers=2)
    fetched = []
    get = MemoryFileSystem.get_file

    def noted(self: MemoryFileSystem, source: str, target: object, **named: object) -> None:
        fetched.append(source)
        get(self, source, target, **named)

    monkeypatch.setattr(MemoryFileSystem, "get_file", noted)
    run_sweep(load(config), workers=2)
    assert [f for f in fetched if "register_read" in f] == []


def test_one_lake_belongs_to_one_workspace(
    config: Path, store: MemoryFileSystem, tmp_path: Path
):
    run_sweep(load(config), workers=2)
    other = with_lake(quick_utility(tmp_path / "other"), LAKE)
    with pytest.raises(ConfigError, match=r"belongs to workspace .*stored/workspace"):
        run_sweep(load(other), workers=2)
    with_lake(other, LAKE + "-of-others")
    run_sweep(load(other), workers=2)
    moved = tmp_path / "moved"
    shutil.move(config.parent, moved)
    assert run_sweep(load(moved / "sweep.yaml"), workers=2).landed.known_files > 0


@pytest.mark.parametrize("url", [None, LAKE + "-elsewhere"])
def test_a_workspace_that_is_pointed_away_from_its_lake_says_so(
    url: str | None, config: Path, store: MemoryFileSystem
):
    run_sweep(load(config), workers=2)
    with_lake(config, url)
    with pytest.raises(ConfigError, match=f"are in {LAKE}, but the configuration says"):
        run_sweep(load(config), workers=2)


def test_a_workspace_with_a_lake_on_disk_is_told_how_to_move_it(
    config: Path, store: MemoryFileSystem
):
    """The guide's steps: copy lake/ below the URL, remove it here, sweep."""
    with_lake(config, None)
    run_sweep(load(config), workers=2)
    before = published_tables(config)
    with_lake(config, LAKE)
    with pytest.raises(ConfigError, match="to move them, see 'Object stores'"):
        run_sweep(load(config), workers=2)
    workspace = load(config).workspace
    store.put(f"{workspace.lake}/", f"{KEPT}/lake/", recursive=True)
    shutil.rmtree(workspace.lake)
    outcome = run_sweep(load(config), workers=2)
    assert outcome.published is None, "the same reads, so the same results"
    assert published_tables(config) == before


def backed_up(root: Path, backup: Path) -> Callable[[], None]:
    """A backup of a workspace; what brings it back."""
    shutil.copytree(root, backup, symlinks=True)

    def restore() -> None:
        shutil.rmtree(root)
        shutil.copytree(backup, root, symlinks=True)

    return restore


def test_last_nights_backup_goes_on_with_tonights_lake(
    config: Path, store: MemoryFileSystem, tmp_path: Path
):
    """The landing machine's disk is lost after a sweep that the backup does not know."""
    run_sweep(load(config), workers=2)
    restore = backed_up(load(config).workspace_root, tmp_path / "backup")
    add_export(config.parent)
    run_sweep(load(config), workers=2)
    lost = published_tables(config)
    restore()
    run_sweep(load(config), workers=2)
    assert published_tables(config) == lost


def test_reads_in_the_lake_that_no_backup_knows_stop_the_sweep(
    config: Path, store: MemoryFileSystem, tmp_path: Path
):
    """As above, but the export is gone: what it put into the lake has no ledger."""
    run_sweep(load(config), workers=2)
    restore = backed_up(load(config).workspace_root, tmp_path / "backup")
    before = objects(store, "lake")
    add_export(config.parent)
    run_sweep(load(config), workers=2)
    (config.parent / "exports" / LATER).unlink()
    restore()
    with pytest.raises(BalanceError, match="a file that the ledger does not hold"):
        run_sweep(load(config), workers=2)
    for name in objects(store, "lake") - before:  # what the guide says to do
        store.rm_file(f"{KEPT}/{name}")
    assert run_sweep(load(config), workers=2).published is None


def test_a_store_that_refuses_is_an_error_that_names_it(
    config: Path, store: MemoryFileSystem, monkeypatch: pytest.MonkeyPatch
):
    run_sweep(load(config), workers=2)

    def refuse(self: MemoryFileSystem, *_: object, **__: object) -> None:
        raise PermissionError("no entry")

    workspace = Workspace(load(config).workspace_root, LAKE)
    assert tried_store(workspace) is None
    assert objects(store, "assess") == set()
    monkeypatch.setattr(MemoryFileSystem, "get_file", refuse)
    assert "no entry" in tried_store(workspace)
    add_export(config.parent)
    with pytest.raises(StoreError, match=f"{LAKE}: PermissionError: no entry"):
        run_sweep(load(config), workers=2)


def test_the_place_of_the_lake_is_no_input_of_results(config: Path):
    in_store = load(config).config_hash
    assert load(with_lake(config, None)).config_hash == in_store
    with pytest.raises(ConfigError, match="lake"):
        load(with_lake(config, "folder/of/lake"))
