"""What a stopped sweep left is used again where it holds, and only there."""

from __future__ import annotations

from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipelines.configuration.load_settings import load
from pipelines.stages.assess.assess import assess_bucket
from pipelines.sweep import stages as sweep_stages
from pipelines.sweep.state import SweepOrder
from pipelines.sweep.sweep import run_sweep
from tests.pipelines.small_utility import published_tables, quick_utility


@pytest.fixture
def config(tmp_path: Path) -> Path:
    return quick_utility(tmp_path / "utility")


@pytest.fixture
def assessed(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The buckets that are assessed, in order; the second fails once."""
    seen: list[str] = []

    def counted(workspace, task, *rest):
        seen.append(task.bucket)
        if len(seen) == 2:
            raise OSError("no space left on device")
        return assess_bucket(workspace, task, *rest)

    monkeypatch.setattr(sweep_stages, "assess_bucket", counted)
    return seen


def test_a_sweep_goes_on_where_the_failed_one_stopped(
    config: Path, assessed: list[str], plain: Path
):
    with pytest.raises(OSError, match="no space"):
        run_sweep(load(config), workers=1)
    first = list(assessed)
    outcome = run_sweep(load(config), workers=1)
    assert outcome.published is not None
    again = assessed[len(first) :]
    assert first[0] not in again
    assert sorted({*first, *again}) == ["00", "01", "02", "03"]
    stages = {c.stage: c for c in outcome.costs}
    assert stages["profile"].item_count == 0
    assert published_tables(config) == published_tables(plain)


def test_nothing_is_used_again_after_an_input_changed(config: Path, assessed: list[str]):
    with pytest.raises(OSError, match="no space"):
        run_sweep(load(config), workers=1)
    first = len(assessed)
    tariff = config.parent / "tariff.yaml"
    tariff.write_text(tariff.read_text().replace("5.10", "9.90"))
    run_sweep(load(config), workers=1)
    assert sorted(assessed[first:]) == ["00", "01", "02", "03"]


def test_a_full_sweep_uses_nothing_again(config: Path, assessed: list[str]):
    with pytest.raises(OSError, match="no space"):
        run_sweep(load(config), workers=1)
    first = len(assessed)
    outcome = run_sweep(load(config), SweepOrder(full=True), workers=1)
    assert sorted(assessed[first:]) == ["00", "01", "02", "03"]
    assert {c.stage: c.item_count for c in outcome.costs}["profile"] > 0


def test_a_look_says_what_the_sweep_says_and_publishes_nothing(config: Path):
    from pipelines.commands.preview import preview
    from pipelines.work.bucket_work import local_pool
    from rightsize.errors import ConfigError

    loaded = load(config)
    with (
        local_pool(1) as pool,
        pytest.raises(ConfigError, match="no reads yet; run `rightsize sweep`"),
    ):
        preview(loaded, ["A-10003"], pool)
    outcome = run_sweep(loaded, workers=1)
    before = outcome.workspace.results.read_bytes()
    with local_pool(1) as pool:
        rows = preview(loaded, ["A-10003", "A-10001"], pool)
        with pytest.raises(ConfigError, match="account A-99"):
            preview(loaded, ["A-99"], pool)
    assert rows["account_id"].to_list() == ["A-10001", "A-10003"]
    with duckdb.connect(str(outcome.workspace.results), read_only=True) as connection:
        published = connection.execute(
            "select code || ': ' || message from results.not_assessed"
            " where account_id in ('A-10001', 'A-10003') order by account_id"
        ).fetchall()
    assert rows["reason"].to_list() == [reason for (reason,) in published]
    assert outcome.workspace.results.read_bytes() == before
    assert isinstance(rows, pl.DataFrame)


def test_pages_that_a_sweep_died_before_drawing_are_drawn_by_the_next(
    config: Path, monkeypatch: pytest.MonkeyPatch
):
    def dies(*_: object, **__: object) -> None:
        raise OSError("no space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(sweep_stages, "write_fleet_pages", dies)
        with pytest.raises(OSError, match="no space"):
            run_sweep(load(config), workers=2)
    pages = config.parent / "workspace/published/pages/index.html"
    assert not pages.is_file()
    outcome = run_sweep(load(config), workers=2)
    assert outcome.published is None
    assert pages.is_file()
    assert [c.stage for c in outcome.costs][-1] == "pages"
    assert [c.stage for c in run_sweep(load(config), workers=2).costs][-1] == "profile"
