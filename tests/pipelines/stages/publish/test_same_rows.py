"""Rows of large tables that take a later sweep's name are the rows that would be written."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.stages.publish.build import Build
from pipelines.stages.publish.publication_note import (
    note_checksums,
    noted_checksums,
    noted_rows,
)
from pipelines.stages.publish.retention import Retention
from rightsize.contracts.results import BLOCK_TABLES, CANDIDATE, RESULT_TABLES
from tests.pipelines.published_sweep import ask, put_out
from tests.pipelines.stages.publish.synthetic_sweep import (
    SyntheticSweep,
    make_sweep,
    write_blocks,
)

LARGE = {table.name for table in BLOCK_TABLES if table.is_detail}


@pytest.fixture
def inserted(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Tables whose rows are written, in order."""
    seen: list[str] = []
    insert = Build._insert

    def counted(self, table, *rest, **more):
        seen.append(table.name)
        return insert(self, table, *rest, **more)

    monkeypatch.setattr(Build, "_insert", counted)
    return seen


def rows_of(sweep: SyntheticSweep) -> dict[str, list[tuple]]:
    """Rows of the newest sweep, table by table, in the order in which they lie."""
    return {
        table.name: ask(
            sweep.workspace.results,
            f"select * exclude (sweep_id) from results.{table.name}"
            f" where sweep_id = '{sweep.record.sweep_id}'",
        )
        for table in RESULT_TABLES
        if table.name in LARGE
    }


def publish_history(root: Path, seeds: list[int], kept: int) -> Iterator[bool]:
    """Publish a sweep a seed, each as it would be published alone.

    Before each, tells whether its rows should be found.
    """
    size = {"accounts": 12, "blocks": 2}
    alone: dict[int, dict[str, list[tuple]]] = {}
    for seed in set(seeds):
        first = make_sweep(root / f"{seed}", seed=seed, **size)
        put_out(first)
        alone[seed] = rows_of(first)
    for number, seed in enumerate(seeds):
        yield number >= kept and seed == seeds[number - kept]
        sweep = make_sweep(root / "history", number + 1, seed=seed, **size)
        put_out(sweep, retention=Retention(4, 0, kept))
        assert rows_of(sweep) == alone[seed]
    yield False


def test_rows_that_rest_on_the_same_are_named_anew(tmp_path: Path, inserted: list[str]) -> None:
    told, seen = [], []
    for is_same in publish_history(tmp_path, [1, 1, 1, 2, 1], 2):
        told.append(is_same)
        seen.append(LARGE.isdisjoint(inserted))
        inserted.clear()
    assert told[:-1] == seen[1:] == [False, False, True, False, True]
    path = tmp_path / "history" / "published" / "results.duckdb"
    assert len(ask(path, "select count(*) from candidate group by sweep_id")) == 2


@pytest.mark.heavy
@settings(max_examples=4, deadline=None)
@given(st.lists(st.sampled_from((1, 1, 1, 2)), min_size=3, max_size=5), st.integers(1, 3))
def test_any_history_publishes_what_a_first_sweep_would(seeds: list[int], kept: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        for _ in publish_history(Path(folder), seeds, kept):
            pass


@pytest.fixture(scope="module")
def two_sweeps(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("two") / "workspace"
    for number in (1, 2):
        put_out(make_sweep(folder, number))
    return folder


@pytest.mark.parametrize("change", ["block", "units", "file", "note"])
def test_rows_are_written_where_anything_has_changed(
    tmp_path: Path, two_sweeps: Path, inserted: list[str], change: str
) -> None:
    folder = shutil.copytree(two_sweeps, tmp_path / "workspace", symlinks=True)
    third = make_sweep(folder, 3)
    published = third.workspace.published
    inserted.clear()
    if change == "block":
        dearer = third.frames["candidate"].with_columns(change_cost_usd=1.0)
        write_blocks(third.workspace, third.record, CANDIDATE, dearer)
    if change == "file":  # another program wrote to it
        note_checksums(published, ["0" * 64], noted_rows(published))
    if change == "note":
        note_checksums(published, noted_checksums(published), {"none": {"candidate": "x"}})
    put_out(third, units="metric" if change == "units" else "us")
    assert LARGE.intersection(inserted) == ({"candidate"} if change == "block" else LARGE)
    if change == "block":
        costs = ask(
            third.workspace.results,
            "select distinct change_cost_usd from candidate"
            f" where sweep_id = '{third.record.sweep_id}'",
        )
        assert costs == [(1.0,)]
