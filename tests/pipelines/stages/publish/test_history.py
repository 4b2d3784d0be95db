"""Sweeps are kept, expired ones go, and neither units nor contract break the history."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from types import SimpleNamespace
from unittest.mock import MagicMock

import duckdb
import polars as pl
import pytest

from pipelines.configuration.load_settings import load
from pipelines.pages.fleet_pages import write_fleet_pages
from pipelines.stages.publish.retention import HeldSweep, Retention
from pipelines.stages.reconcile import SweepInputs
from pipelines.store.workspace import Workspace
from pipelines.sweep import stages as sweep_stages
from rightsize.contracts.results import CANDIDATE, PROFILE, RECOMMENDATION
from rightsize.errors import ContractError, DamageError
from rightsize.units import GAL_PER_M3
from tests.pipelines.published_sweep import ask, put_out
from tests.pipelines.stages.publish.synthetic_sweep import (
    make_sweep,
    sweep_record,
    write_blocks,
)


def _ids(path: Path, table: str) -> list[str]:
    rows = ask(path, f"select distinct sweep_id from {table} order by sweep_id")
    return [r[0] for r in rows]


def _id(number: int) -> str:
    return sweep_record(number).sweep_id


def test_history_is_kept_as_long_as_configured_and_detail_for_less(tmp_path):
    for number in range(1, 6):
        sweep = make_sweep(tmp_path, number, seed=number)
        put_out(sweep, retention=Retention(4, 0, 2))
    path = sweep.workspace.results
    for table in ("sweep", "recommendation", "profile", "finding", "not_assessed"):
        assert _ids(path, table) == [_id(k) for k in (2, 3, 4, 5)], table
    for table in ("candidate", "flow_band"):
        assert _ids(path, table) == [_id(k) for k in (4, 5)], table
    folder = sweep.workspace.published / "parquet"
    assert sorted(p.stem for p in (folder / "profile").iterdir()) == [
        _id(k) for k in (2, 3, 4, 5)
    ]


def test_the_last_sweep_of_each_month_stays_longer_than_every_night(tmp_path):
    """HAND: made-up sweep 1 is of 2 January 2026; 31, 59 and 90 are of 1 February, 1 March and
    1 April. Of the last two months before the newest the last sweep stays.
    """
    for number in (1, 29, 30, 31, 58, 59, 60, 90):
        put_out(make_sweep(tmp_path, number), retention=Retention(2, 3, 1))
    path = tmp_path / "published" / "results.duckdb"
    assert _ids(path, "recommendation") == [_id(k) for k in (58, 60, 90)]
    assert _ids(path, "candidate") == [_id(90)]


def test_retention_counts_months_that_have_a_sweep():
    """HAND: two newest sweeps, and the last of the three newest months, April being new."""
    days = ("2026-04-02", "2026-04-01", "2026-03-30", "2026-03-01", "2025-11-07", "2025-10-01")
    held = [HeldSweep(day, day[:7]) for day in days]
    kept = Retention(2, 3, 2).kept(RECOMMENDATION, held, month="2026-04")
    assert kept == ["2026-04-02", "2026-03-30", "2025-11-07"]
    kept = Retention(2, 0, 2).kept(RECOMMENDATION, held, month="2026-04")
    assert kept == ["2026-04-02"]
    assert Retention(4, 3, 1).kept(CANDIDATE, held, month="2026-04") == []


def test_what_was_published_is_never_rewritten(tmp_path):
    first = make_sweep(tmp_path, 1)
    put_out(first)
    question = f"from recommendation where sweep_id = '{_id(1)}' order by account_id"
    before = ask(first.workspace.results, question)
    for number in (2, 3):
        put_out(make_sweep(tmp_path, number, seed=number))
    assert ask(first.workspace.results, question) == before


def test_parquet_of_earlier_sweeps_is_linked_not_written_again(tmp_path):
    put_out(make_sweep(tmp_path, 1))
    folder = tmp_path / "published" / "parquet"
    file = Path("profile") / f"{_id(1)}.parquet"
    before = (folder / file).stat().st_ino
    put_out(make_sweep(tmp_path, 2))
    assert (folder / file).stat().st_ino == before


def test_a_workspace_copied_with_its_links_followed_publishes_on(tmp_path):
    """Its `parquet` is a folder: a link takes its place, and it stays for one publication."""
    put_out(make_sweep(tmp_path / "first", 1))
    write_fleet_pages(Workspace(tmp_path / "first"))
    shutil.copytree(tmp_path / "first", tmp_path / "copy", symlinks=False)
    published = tmp_path / "copy" / "published"
    assert not (published / "parquet").is_symlink()
    for number in (2, 3):
        put_out(make_sweep(tmp_path / "copy", number))
        write_fleet_pages(Workspace(tmp_path / "copy"))
        for name in ("parquet", "pages"):
            assert (published / name).is_symlink()
            shown = sorted(p.name[:6] for p in (published / f"{name}-versions").iterdir())
            assert len(shown) == 2
            assert ("copied" in shown) is (number == 2)
    files = sorted(p.stem for p in (published / "parquet" / "profile").iterdir())
    assert files == [_id(k) for k in (1, 2, 3)]


def test_only_the_last_two_parquet_folders_stay(tmp_path):
    for number in range(1, 5):
        put_out(make_sweep(tmp_path, number))
    versions = tmp_path / "published" / "parquet-versions"
    names = sorted(p.name.rpartition("-")[0] for p in versions.iterdir())
    assert names == [_id(3), _id(4)]


def test_publishing_a_sweep_again_replaces_its_rows(tmp_path):
    put_out(make_sweep(tmp_path, 1))
    put_out(make_sweep(tmp_path, 1, seed=99))
    assert ask(tmp_path / "published" / "results.duckdb", "select count(*) from sweep") == [
        (1,)
    ]


def test_an_older_sweep_is_refused_after_a_newer(tmp_path):
    put_out(make_sweep(tmp_path, 5))
    with pytest.raises(ContractError, match="is older than the published sweep"):
        put_out(make_sweep(tmp_path, 2))


def test_a_change_of_units_converts_the_history(tmp_path):
    put_out(make_sweep(tmp_path, 1))
    path = tmp_path / "published" / "results.duckdb"
    question = f"from profile where sweep_id = '{_id(1)}' order by account_id"
    us = ask(path, "select registered_gal_per_year " + question)
    put_out(make_sweep(tmp_path, 2), units="metric")
    metric = ask(path, "select registered_m3_per_year " + question)
    for (gal,), (m3,) in zip(us, metric, strict=True):
        assert m3 == pytest.approx(gal / GAL_PER_M3, rel=1e-12)
    put_out(make_sweep(tmp_path, 3))
    again = ask(path, "select registered_gal_per_year " + question)
    for (gal,), (back,) in zip(us, again, strict=True):
        assert back == pytest.approx(gal, rel=1e-12)
    sizes = ask(
        path,
        "select distinct installed_size_in from recommendation"
        f" where sweep_id = '{_id(1)}' and verdict <> 'not_assessed'",
    )
    assert sizes == [(3.0,)]


def test_history_of_an_older_contract_is_carried_over(tmp_path):
    """A version of the tool that knew fewer columns wrote the publication before."""
    put_out(make_sweep(tmp_path, 1))
    path = tmp_path / "published" / "results.duckdb"
    with duckdb.connect(str(path)) as connection:
        for view in (
            "revenue_at_stake",
            "class_summary",
            "fleet_total",
            "flagged_account",
            "changed_since_previous_sweep",
            "recommendation_source",
            "latest_recommendation",
        ):
            connection.execute(f"drop view {view}")
        connection.execute("alter table recommendation drop column runner_up")
    put_out(make_sweep(tmp_path, 2))
    question = "select sweep_id, count(*), count(runner_up) from recommendation group by 1"
    rows = sorted(ask(path, question))
    assert rows == [(_id(1), 40, 0), (_id(2), 40, 36)]


def test_older_drivers_can_read_the_file(published, answer):
    """A BI tool's driver is seldom the newest; 1.4 was seen to read this format by hand."""
    tags = (
        "select tags['storage_version'] from duckdb_databases() where database_name = 'results'"
    )
    assert answer(tags)[0][0].startswith("v1.0.0")


def test_a_broken_publication_is_named_and_left_alone(tmp_path):
    put_out(make_sweep(tmp_path, 1))
    path = tmp_path / "published" / "results.duckdb"
    path.write_bytes(b"broken" * 1000)
    with pytest.raises(DamageError, match="restore published/ from a backup"):
        put_out(make_sweep(tmp_path, 2))
    assert path.read_bytes() == b"broken" * 1000


@pytest.mark.heavy
def test_the_file_does_not_grow_once_history_is_full(tmp_path):
    sizes = []
    for number in range(1, 9):
        sweep = make_sweep(tmp_path, number, accounts=2000, seed=number)
        put_out(sweep, retention=Retention(2, 0, 1))
        sizes.append(sweep.workspace.results.stat().st_size)
    assert sizes[-1] <= 1.5 * sizes[2], sizes


def test_settings_are_kept_as_they_were(tmp_path):
    put_out(make_sweep(tmp_path, 1))
    put_out(make_sweep(tmp_path, 2, changes={"documents": {"tariff": {"rate": 6.2}}}))
    path = tmp_path / "published" / "results.duckdb"
    rows = ask(
        path,
        "select sweep_id, content from sweep_document where document = 'tariff' order by 1",
    )
    assert [json.loads(content)["rate"] for _, content in rows] == [5.1, 6.2]


def test_a_recommendation_leads_back_to_months_and_files(published, answer):
    """HAND: each bucket has two months and two files, so four rows a meter."""
    rows = answer(
        "select month, file_hash, path from recommendation_source"
        " where account_id = 'A000000' order by all"
    )
    assert rows == [
        (month, file, f"exports/reads-{file[-1]}.csv")
        for month in ("2025-01", "2025-02")
        for file in ("file1", "file2")
    ]


def test_only_months_of_the_profile_are_sources(tmp_path):
    sweep = make_sweep(tmp_path)
    shorter = sweep.frames["profile"].with_columns(first_read_on=pl.date(2025, 2, 1))
    write_blocks(sweep.workspace, sweep.record, PROFILE, shorter)
    put_out(sweep)
    rows = ask(sweep.workspace.results, "select distinct month from recommendation_source")
    assert rows == [("2025-02",)]


def test_the_configuration_says_how_much_is_kept(tmp_path, monkeypatch):
    """Each of the three keys reaches the publication."""
    config = tmp_path / "sweep.yaml"
    config.write_text(
        "utility: Larkmoor Water\nexports: [{name: network, path: reads.csv}]\n"
        "keep_sweeps: 9\nkeep_months: 5\nkeep_detail_sweeps: 3\n"
    )
    (tmp_path / "tariff.yaml").write_text(
        "classes: {default: {tiers: [{usd_per_kgal: 5}]}}\n", encoding="utf-8"
    )
    asked = {}

    def publish(*_: object, **options: object) -> SimpleNamespace:
        asked.update(options)
        return SimpleNamespace(rows={})

    monkeypatch.setattr(sweep_stages, "publish", publish)
    nothing = SweepInputs(service=pl.DataFrame(), ledger=pl.DataFrame(), profile_folders=[])
    sweep = MagicMock(
        loaded=load(config), sweep_id="s1", inputs=nothing, record=sweep_record(1)
    )
    sweep.workspace = Workspace(tmp_path)
    sweep_stages._publish(sweep, MagicMock())
    assert asked["retention"] == Retention(sweeps=9, months=5, detail_sweeps=3)
