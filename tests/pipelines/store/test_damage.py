"""What is damaged is made again, or named with its cure; none of it is published."""

from __future__ import annotations

import errno
import json
import shutil
from pathlib import Path

import duckdb
import pytest

from pipelines.commands.health import Limits, State, health
from pipelines.configuration.load_settings import Loaded, load
from pipelines.stages.profile.profile_mark import MARK
from pipelines.stages.publish import history
from pipelines.sweep.state import SweepOrder
from pipelines.sweep.sweep import run_sweep
from rightsize.errors import BalanceError, ConfigError, DamageError, RightsizeError
from tests.pipelines.small_utility import add_export, published_tables, quick_utility

FULL = SweepOrder(full=True)


@pytest.fixture(scope="module")
def before(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A utility that has published two months."""
    config = quick_utility(tmp_path_factory.mktemp("before") / "utility")
    add_export(config.parent)
    run_sweep(load(config), workers=2)
    return config.parent


@pytest.fixture
def loaded(before: Path, tmp_path: Path) -> Loaded:
    """A copy of it, to be damaged."""
    shutil.copytree(before, tmp_path / "utility", symlinks=True)
    return load(tmp_path / "utility" / "sweep.yaml")


def swapped(first: Path, second: Path) -> None:
    aside = first.with_name("aside")
    first.rename(aside)
    second.rename(first)
    aside.rename(second)


def profiles(loaded: Loaded) -> list[Path]:
    return sorted(loaded.workspace.profile.glob("month=*/bucket=*/*"))


def contents(folders: list[Path]) -> dict[str, bytes]:
    return {str(p): p.read_bytes() for f in folders for p in sorted(f.iterdir())}


@pytest.mark.parametrize(
    "how",
    ["cut", "empty", "garbage", "gone", "one bit", "swapped file", "swapped folder", "mark"],
)
def test_a_damaged_profile_is_made_again_from_the_lake(loaded: Loaded, how: str):
    folders = profiles(loaded)
    whole = contents(folders)
    file, other = folders[0] / "month_stat.parquet", folders[-1] / "month_stat.parquet"
    held = file.read_bytes()
    if how == "cut":
        file.write_bytes(held[: len(held) // 2])
    elif how == "empty":
        file.write_bytes(b"")
    elif how == "garbage":
        file.write_bytes(b"PAR1 garbage PAR1")
    elif how == "gone":
        file.unlink()
    elif how == "one bit":
        file.write_bytes(held[:200] + bytes([held[200] ^ 1]) + held[201:])
    elif how == "swapped file":
        swapped(file, other)
    elif how == "swapped folder":
        for name in (p.name for p in sorted(folders[0].iterdir())):
            swapped(folders[0] / name, folders[-1] / name)
    else:
        (folders[0] / MARK).write_text("{}")
    assert run_sweep(loaded, workers=2).published is None
    assert contents(profiles(loaded)) == whole


def test_a_profile_of_a_version_without_marks_is_taken_over_if_it_can_be_read(loaded: Loaded):
    first, second, *_ = folders = profiles(loaded)
    whole = contents(folders)
    (first / MARK).unlink()
    (second / MARK).unlink()
    (second / "balance.parquet").write_bytes(b"")
    made_at = first.stat().st_ino
    assert run_sweep(loaded, workers=2).profiled.made == 1
    assert first.stat().st_ino == made_at
    assert contents(profiles(loaded)) == whole


@pytest.mark.parametrize("kind", ["interval_read", "register_read"])
@pytest.mark.parametrize("across", ["months", "buckets"])
def test_files_of_the_lake_in_each_others_place_are_named(
    loaded: Loaded, kind: str, across: str
):
    results = loaded.workspace.results.read_bytes()
    files = sorted((loaded.workspace.lake / kind).glob("*/*/*.parquet"))
    first = files[0]

    def pairs(other: Path) -> bool:
        same_month = other.parent.parent.name == first.parent.parent.name
        same_bucket = other.parent.name == first.parent.name
        return same_bucket > same_month if across == "months" else same_month > same_bucket

    second = next((f for f in files if pairs(f)), None)
    if second is None:
        pytest.skip(f"{kind} of the demo has one of the {across} only")
    swapped(first, second)
    with pytest.raises((DamageError, BalanceError), match="backup") as refused:
        run_sweep(loaded, FULL, workers=2)
    said = str(refused.value)  # of the worker that met one of the two first
    places = [str(f.parent.relative_to(loaded.workspace.root)) for f in (first, second)]
    assert any(place in said for place in places)
    assert loaded.workspace.results.read_bytes() == results


@pytest.mark.parametrize("content", [b"", b"PAR1 garbage PAR1"])
def test_a_file_of_the_lake_that_cannot_be_read_is_named(loaded: Loaded, content: bytes):
    file = sorted(loaded.workspace.lake.rglob("*.parquet"))[0]
    file.write_bytes(content)
    with pytest.raises(
        DamageError, match=rf"{file.stem}\.parquet (is damaged|cannot be read).* backup"
    ):
        run_sweep(loaded, FULL, workers=2)


@pytest.mark.parametrize("content", ["", "{", "[]", "{}", "null", '{"inputs": 1}'])
def test_a_damaged_note_of_what_was_learnt_is_learnt_again(loaded: Loaded, content: str):
    whole = json.loads(loaded.workspace.learnt.read_text())
    loaded.workspace.learnt.write_text(content)
    (loaded.folder / "thresholds.yaml").touch()
    assert run_sweep(loaded, SweepOrder(reassess=True), workers=2).published
    assert json.loads(loaded.workspace.learnt.read_text()) == whole


@pytest.mark.parametrize("content", [b"garbage", b"\0" * 20_000])
def test_a_damaged_working_database_is_named_and_health_fails(loaded: Loaded, content: bytes):
    loaded.workspace.database.write_bytes(content)
    results = loaded.workspace.results.read_bytes()
    with pytest.raises(DamageError, match=r"work\.duckdb cannot be read .* from a backup"):
        run_sweep(loaded, workers=2)
    found = health(loaded, Limits(min_free_gb=0))
    assert found.state is State.failing
    (ledger,) = [c for c in found.checks if c.name == "ledger"]
    assert ledger.state is State.failing
    assert "restore it" in ledger.text
    assert loaded.workspace.results.read_bytes() == results


def test_the_cure_for_a_damaged_working_database_keeps_the_history(loaded: Loaded):
    workspace = loaded.workspace
    workspace.database.write_bytes(b"garbage")
    for path in (workspace.database, workspace.lake, workspace.rejected, workspace.profile):
        path.rename(path.with_name(f"{path.name}.away"))
    add_export(loaded.folder, "walkby_2025-02.csv.gz")
    assert run_sweep(loaded, workers=2).published
    assert len(published_tables(loaded.path)["sweep"]) == 2


@pytest.mark.parametrize("content", [b"", b"garbage"])
def test_damaged_results_are_named_and_health_fails(loaded: Loaded, content: bytes):
    loaded.workspace.results.unlink()
    loaded.workspace.results.write_bytes(content)
    with pytest.raises(DamageError, match=r"restore published/ from a backup: only it has"):
        run_sweep(loaded, workers=2)
    assert loaded.workspace.results.read_bytes() == content
    found = health(loaded, Limits(min_free_gb=0))
    (results,) = [c for c in found.checks if c.name == "results"]
    assert results.state is State.failing


@pytest.mark.parametrize("where", ["copy", "write"])
def test_a_full_disk_is_no_reason_to_move_the_results_away(
    loaded: Loaded, monkeypatch: pytest.MonkeyPatch, where: str
):
    results = loaded.workspace.results.read_bytes()

    def full(*args: object, **kwargs: object) -> None:
        if where == "copy":
            raise OSError(errno.ENOSPC, "No space left on device")
        raise history.duckdb.IOException("IO Error: No space left on device")

    name = "shutil.copyfile" if where == "copy" else "continue_history"
    target = history if "." not in name else history.shutil
    monkeypatch.setattr(target, name.rpartition(".")[2], full)
    with pytest.raises((OSError, RightsizeError), match="No space left") as told:
        run_sweep(loaded, SweepOrder(reassess=True), workers=2)
    assert "move" not in str(told.value)
    assert loaded.workspace.results.read_bytes() == results


def test_a_damaged_claim_of_a_lake_is_named(loaded: Loaded):
    loaded.workspace.lake_claim.write_text("")
    with pytest.raises(DamageError, match=r"lake_claim\.json is damaged"):
        run_sweep(loaded, workers=2)


def test_results_of_an_earlier_version_ask_for_a_sweep(tmp_path: Path) -> None:
    """A table that came later is no damage: the file has the history."""
    results = tmp_path / "published.duckdb"
    with duckdb.connect(str(results)) as connection:
        connection.execute("create schema results")
        connection.execute("create table results.sweep as select 's1' as sweep_id")
    for statement in ("from results.came_later", "select came_later from results.sweep"):
        with (
            pytest.raises(ConfigError, match="earlier version; run `rightsize sweep` first"),
            history.open_held(results) as held,
        ):
            held.execute(statement)
