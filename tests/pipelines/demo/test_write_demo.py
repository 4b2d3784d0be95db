"""The demo writes the same utility for the same seed, and counts what it writes."""

from __future__ import annotations

import hashlib
from pathlib import Path

import polars as pl
import pytest

from pipelines.configuration.load_settings import load
from pipelines.demo import write, write_demo
from pipelines.demo.changed.changed_account import changed_on
from pipelines.demo.changed.pilot import pilot_file, promised_meters
from pipelines.demo.changed.planted import (
    CHANGE_OUTS,
    LEAST_ACCOUNTS,
    LEAST_MONTHS,
    change_outs_of,
)
from rightsize.errors import ConfigError

ACCOUNTS, MONTHS = 30, 4


def digest(folder: Path) -> dict[str, str]:
    files = sorted(p for p in folder.rglob("*") if p.is_file())
    return {
        str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest() for p in files
    }


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo")
    write_demo(folder, accounts=ACCOUNTS, months=MONTHS, seed=7, workers=1)
    return folder


def test_workers_do_not_change_a_byte(demo: Path, tmp_path: Path):
    write_demo(tmp_path, accounts=ACCOUNTS, months=MONTHS, seed=7, workers=2)
    assert digest(tmp_path) == digest(demo)


def test_another_seed_is_another_utility(demo: Path, tmp_path: Path):
    write_demo(tmp_path, accounts=5, months=1, seed=8)
    assert digest(tmp_path)["meters.csv"] != digest(demo)["meters.csv"]


def test_the_configuration_loads_as_it_stands(demo: Path):
    loaded = load(demo / "sweep.yaml")
    assert [e.layout for e in loaded.settings.exports] == ["interval", "interval", "register"]
    for export in loaded.settings.exports:
        header = next(demo.glob(export.path)).read_text().splitlines()[0].split(",")
        assert set(export.columns.values()) == set(header)


def test_every_file_holds_the_rows_that_the_truth_counts(demo: Path):
    files = pl.read_csv(demo / "truth/files.csv")
    assert sorted(files["file"]) == sorted(
        str(p.relative_to(demo)) for p in (demo / "exports").iterdir()
    )
    for row in files.iter_rows(named=True):
        lines = (demo / row["file"]).read_text().splitlines()[1:]
        assert len(lines) == row["rows"]


def test_printed_volumes_add_up_to_the_truth(demo: Path):
    meters = pl.read_csv(demo / "meters.csv").select("meter_id", "multiplier")
    files = pl.read_csv(demo / "truth/files.csv").filter(pl.col("channel") == "fixed")
    for row in files.iter_rows(named=True):
        reads = pl.read_csv(demo / row["file"], schema_overrides={"volume": pl.String})
        reads = reads.filter(reads["interval_end"].str.to_datetime(strict=False).is_not_null())
        read = reads.join(meters, on="meter_id", how="left").with_columns(
            pl.col("volume").cast(pl.Float64, strict=False), pl.col("multiplier").fill_null(1)
        )
        total = (read["volume"] * read["multiplier"]).sum()
        assert total == pytest.approx(row["printed_gal"], abs=0.001)


def test_every_planted_blemish_is_there(demo: Path):
    accounts = pl.read_csv(demo / "truth/accounts.csv")
    planted = set(accounts["trouble"].fill_null(""))
    assert planted >= {
        "leak",
        "hidden_leak",
        "stopped",
        "change_out",
        "new",
        "unlisted",
        "silent",
    }
    files = pl.read_csv(demo / "truth/files.csv")
    assert files["unreadable_rows"].sum() == 4
    assert files["repeated_rows"].sum() > 0
    assert files["file"].str.contains("correction_of").sum() == 1


def test_registered_never_exceeds_actual_by_more_than_a_meter_may(demo: Path):
    accounts = pl.read_csv(demo / "truth/accounts.csv")
    ratio = accounts["installed_gal_per_year"] / accounts["actual_gal_per_year"]
    assert ratio.max() < 1.02
    assert ratio.min() >= 0


def test_the_best_meter_carries_the_peak(demo: Path):
    accounts = pl.read_csv(demo / "truth/accounts.csv")
    changed = accounts.filter(pl.col("verdict").is_in(["oversized", "wrong_type"]))
    assert len(changed) > 0
    key = ["account_id", "meter_type", "size_in", "grade"]
    best = changed.rename(
        {"best_type": "meter_type", "best_size_in": "size_in", "best_grade": "grade"}
    )
    candidates = pl.read_csv(demo / "truth/candidates.csv")
    assert best.join(candidates, on=key)["is_feasible"].all()


def test_a_folder_with_other_things_in_it_is_left_alone(tmp_path: Path):
    (tmp_path / "letters.txt").write_text("not a demo")
    with pytest.raises(ConfigError, match="is not empty and has no earlier demo"):
        write_demo(tmp_path, accounts=4, months=1)
    assert (tmp_path / "letters.txt").read_text() == "not a demo"


def test_a_new_demo_takes_the_place_of_an_old_one_and_of_its_workspace(tmp_path: Path):
    write_demo(tmp_path, accounts=4, months=2, seed=1)
    (tmp_path / "workspace").mkdir()
    write_demo(tmp_path, accounts=4, months=1, seed=1)
    assert not (tmp_path / "workspace").exists()
    assert len(list((tmp_path / "exports").glob("reads*"))) == 1


def test_too_few_accounts_are_refused_in_one_line(tmp_path: Path):
    with pytest.raises(ConfigError, match="accounts must be between 4 and 20,000; got 3"):
        write_demo(tmp_path / "demo", accounts=3)


def test_planted_change_outs_move_no_other_account(tmp_path: Path, monkeypatch):
    """LAW: with them beside it, the fleet's own reads and truth stay, to the byte."""
    plain, beside = tmp_path / "plain", tmp_path / "beside"
    write_demo(plain, accounts=6, months=13, seed=3, workers=1)
    monkeypatch.setattr(write, "change_outs_of", lambda accounts, months: CHANGE_OUTS[:1])
    summary = write_demo(beside, accounts=6, months=13, seed=3, workers=1)
    assert summary.changed_accounts == 1
    for name in ("accounts.csv", "candidates.csv", "planted.csv"):
        assert (beside / "truth" / name).read_bytes() == (plain / "truth" / name).read_bytes()
    own = {CHANGE_OUTS[0].old_meter_id, CHANGE_OUTS[0].new_meter_id}
    for path in (plain / "exports").iterdir():
        held = (beside / "exports" / path.name).read_text().splitlines()
        kept = [line for line in held if line.split(",")[0] not in own]
        assert kept == path.read_text().splitlines()


def test_small_and_short_demos_have_no_planted_change_outs():
    """Too few accounts of a class to compare with, or too few months before a change."""
    assert change_outs_of(LEAST_ACCOUNTS, LEAST_MONTHS) == CHANGE_OUTS
    assert change_outs_of(LEAST_ACCOUNTS - 1, LEAST_MONTHS) == ()
    assert change_outs_of(LEAST_ACCOUNTS, LEAST_MONTHS - 1) == ()


def test_meters_put_in_are_those_that_the_pilot_sweep_recommended():
    promised = promised_meters()
    for change_out in CHANGE_OUTS:
        assert (change_out.account_id in promised) or not change_out.follows_pilot


def test_the_pilots_publication_is_dated_before_every_change():
    swept = pl.read_parquet(pilot_file("sweep"))["started_at"].dt.date().item()
    for change_out in CHANGE_OUTS:
        assert swept < changed_on(change_out)
