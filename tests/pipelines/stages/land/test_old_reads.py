"""Reads older than the configuration keeps are deleted, counted and told; the balance holds."""

from __future__ import annotations

import shutil
from pathlib import Path

import duckdb
import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from pipelines.configuration.load_settings import Loaded, load
from pipelines.stages.land.old_reads import first_month_kept
from pipelines.sweep.sweep import SweepOutcome, run_sweep, show_outcome
from rightsize.errors import ConfigError
from tests.pipelines.small_utility import add_export, quick_utility


def keeping(config: Path, months: int | None) -> Loaded:
    """The configuration with so few months as no verdict could rest on: what `load` refuses."""
    loaded = load(config)
    settings = loaded.settings.model_copy(update={"keep_reads_months": months})
    return loaded.model_copy(update={"settings": settings})


def ask(config: Path, database: str, query: str) -> list[tuple]:
    path = config.parent / "workspace" / database
    with duckdb.connect(str(path), read_only=True) as connection:
        return connection.execute(query).fetchall()


def work(config: Path, query: str) -> list[tuple]:
    return ask(config, "work.duckdb", query)


def lake_months(config: Path) -> set[str]:
    lake = config.parent / "workspace" / "lake"
    return {p.parts[-3].removeprefix("month=") for p in lake.rglob("*.parquet")}


def balance(config: Path) -> None:
    """Every row that ever landed is stored, rejected or deleted, file by file."""
    rows = work(
        config,
        "select path, rows_accepted, rows_rejected,"
        " (select coalesce(sum(rows_accepted), 0) from ledger.landed_partition p"
        "  where p.file_hash = f.file_hash),"
        " (select coalesce(sum(rows) filter (where kind <> 'rejected'), 0)"
        "  from ledger.deleted_partition d where d.file_hash = f.file_hash)"
        " from ledger.landed_file f",
    )
    assert rows
    for path, accepted, _, stored, deleted in rows:
        assert accepted == stored + deleted, path
    (sweep,) = ask(
        config,
        "published/results.duckdb",
        "select rows_landed, rows_accepted + rows_rejected + rows_superseded"
        " from results.sweep order by sweep_id desc limit 1",
    )
    assert sweep[0] == sweep[1]


@pytest.fixture(scope="module")
def swept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two months of reads, swept once with all of them, once with the newest month only."""
    config = quick_utility(tmp_path_factory.mktemp("old") / "utility")
    add_export(config.parent)
    assert run_sweep(keeping(config, None), workers=1).published is not None
    assert min(lake_months(config)) < "2025-02"
    return config


@pytest.fixture(scope="module")
def forgot(swept: Path) -> SweepOutcome:
    return run_sweep(keeping(swept, 1), workers=1)


def test_old_months_are_deleted_and_all_rows_accounted_for(swept, forgot):
    assert lake_months(swept) == {max(lake_months(swept))}
    assert max(forgot.deleted.months) < "2025-02"
    ((entered,),) = work(
        swept, "select sum(rows) from ledger.deleted_partition where kind <> 'rejected'"
    )
    assert forgot.deleted.reads == entered > 0
    profiles = (swept.parent / "workspace" / "profile").glob("month=*/bucket=*/*")
    assert {p.parts[-3].removeprefix("month=") for p in profiles} == lake_months(swept)
    balance(swept)


def test_it_is_told(swept, forgot, capsys):
    show_outcome(forgot, Console(width=200))
    said = capsys.readouterr().out
    assert f"deleted, as keep_reads_months says: {forgot.deleted.reads:,} reads" in said


def test_rejected_rows_go_with_the_last_reads_of_their_file(swept, forgot):
    for file_hash, rejected in work(
        swept, "select file_hash, rows_rejected from ledger.landed_file"
    ):
        stored = work(
            swept,
            f"select 1 from ledger.landed_partition where file_hash = '{file_hash}' limit 1",
        )
        kept = (swept.parent / "workspace" / "rejected" / f"{file_hash}.parquet").is_file()
        assert kept is (bool(stored) and rejected > 0)


def test_the_next_night_deletes_nothing_and_publishes_nothing(swept, forgot):
    again = run_sweep(keeping(swept, 1), workers=1)
    assert not again.deleted
    assert again.published is None
    assert again.landed.known_files == 3  # the exports still lie there, and are known


def test_what_a_crash_left_goes_with_the_next_sweep(swept, forgot):
    kind, month, bucket, file_hash = work(
        swept,
        "select kind, month, bucket, file_hash from ledger.deleted_partition"
        " where kind = 'interval' limit 1",
    )[0]
    lake = swept.parent / "workspace" / "lake"
    left = lake / f"{kind}_read/month={month}/bucket={bucket:02d}/{file_hash}.parquet"
    left.parent.mkdir(parents=True, exist_ok=True)
    shutil.copy(next(lake.rglob("*.parquet")), left)
    run_sweep(keeping(swept, 1), workers=1)
    assert not left.exists()


def test_a_file_that_is_read_again_loses_its_old_months_again(swept, forgot):
    """A changed unit reads files again, old months too; the ledger holds no month twice."""
    settings = yaml.safe_load(swept.read_text())
    settings["exports"][0]["unit"] = (
        "ft3" if settings["exports"][0].get("unit") != "ft3" else "gal"
    )
    swept.write_text(yaml.safe_dump(settings))
    again = run_sweep(keeping(swept, 1), workers=1)
    assert again.landed.files
    assert again.deleted
    assert len(lake_months(swept)) == 1
    assert not work(
        swept,
        "select file_hash, kind, month, bucket from ledger.deleted_partition"
        " group by all having count(*) > 1",
    )
    balance(swept)


def test_fewer_months_than_a_verdict_needs_are_refused(swept):
    text = swept.read_text()
    short = swept.with_name("short.yaml")
    short.write_text(text + "keep_reads_months: 13\n")
    with pytest.raises(
        ConfigError, match="keep_reads_months: a verdict needs 14 months; got 13"
    ):
        load(short)
    short.write_text(text + "keep_reads_months: 14\n")
    assert load(short).settings.keep_reads_months == 14


@given(st.integers(1990, 2100), st.integers(1, 12), st.integers(1, 600))
def test_so_many_months_are_kept(year, month, keep):
    first = first_month_kept(f"{year:04d}-{month:02d}", keep)
    first_year, first_number = (int(part) for part in first.split("-"))
    assert 1 <= first_number <= 12
    assert 12 * (year - first_year) + month - first_number + 1 == keep
