"""`health --deep` finds what is damaged in a workspace, wherever it lies; changes nothing."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from pipelines.store.workspace import Workspace
from tests.faults.told import small_utility, told

_HOLD = "import duckdb, sys; c = duckdb.connect(sys.argv[1]); print(1, flush=True); input()"
DAMAGED = {
    "lake": ("lake/*_read/*/*/*.parquet", "lands again"),
    "rejected": ("rejected/*.parquet", "lands again"),
    "profiles": ("profile/*/*/*/month_stat.parquet", "made again"),
    "published copies": ("published/parquet-versions/*/sweep/*.parquet", "--full"),
    "learned priors": ("learnt.json", "next sweep"),
    "working database": ("work.duckdb", "restore"),
    "published results": ("published/results.duckdb", "restore"),
}


@pytest.fixture(scope="module")
def swept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    config = small_utility(tmp_path_factory.mktemp("swept") / "utility")
    bad = "meter_id,interval_end,volume\nM1,never,1\n"
    (config.parent / "exports" / "bad.csv").write_text(bad)
    assert told("sweep", config, "--workers", "1").code in (0, 3)
    return config


@pytest.fixture
def config(swept: Path, tmp_path: Path) -> Path:
    shutil.copytree(swept.parent, tmp_path / "utility", symlinks=True)
    return tmp_path / "utility" / "sweep.yaml"


def checks(config: Path) -> dict[str, dict[str, str]]:
    outcome = told("health", config, "--deep", "--json", "--min-free-gb", "0")
    assert outcome.escaped is None
    found = json.loads(outcome.printed)
    assert outcome.code == {"ok": 0, "warning": 3, "failing": 1}[found["state"]]
    return {c["name"]: c for c in found["checks"]}


def test_a_whole_workspace_is_verified_file_by_file_and_left_as_it_is(config: Path):
    folder = config.parent / "workspace"
    before = {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    found = checks(config)
    for name in DAMAGED:
        assert found[name]["state"] == "ok", found[name]
        assert "without checksum" not in found[name]["text"]
        assert not found[name]["text"].startswith("0 ")
    assert {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()} == before


@pytest.mark.parametrize("name", DAMAGED)
def test_a_damaged_file_is_named_with_its_cure(config: Path, name: str):
    pattern, cure = DAMAGED[name]
    file = sorted((config.parent / "workspace").glob(pattern))[0]
    content = bytearray(file.read_bytes())
    middle = len(content) // 2 if file.suffix != ".duckdb" else 4096 + 8  # a header
    content[middle] ^= 1
    file.unlink()
    file.write_bytes(content)
    found = checks(config)
    assert found[name]["state"] == "failing"
    assert file.name in found[name]["text"]
    assert cure in found[name]["text"]
    others = [found[n]["state"] for n in DAMAGED if n != name and n in found]
    assert set(others) == {"ok"}


def test_a_missing_file_of_the_lake_is_named(config: Path):
    file = sorted((config.parent / "workspace" / "lake").rglob("*.parquet"))[0]
    file.unlink()
    assert f"{file.name} is missing" in checks(config)["working database"]["text"]


def test_results_that_another_program_wrote_to_are_read_block_by_block(config: Path):
    import duckdb

    with duckdb.connect(str(config.parent / "workspace/published/results.duckdb")) as other:
        other.execute("create table note_of_mine as select 1 as n")
        other.execute("checkpoint")
        other.execute("drop table note_of_mine")
    assert checks(config)["published results"]["state"] == "ok"
    assert told("sweep", config, "--full", "--workers", "1").code in (0, 3)


def test_a_file_of_the_lake_that_was_moved_away_lands_again_from_its_export(config: Path):
    question = (
        "select * exclude (sweep_id, sweeps_held) from latest_recommendation order by all"
    )
    before = told("query", config, question, "--format", "json").printed
    file = sorted((config.parent / "workspace" / "lake").rglob("*.parquet"))[0]
    content = bytearray(file.read_bytes())
    content[len(content) // 2] ^= 1
    file.write_bytes(content)
    refused = told("sweep", config, "--full", "--workers", "1")
    assert refused.code == 2
    assert file.name in refused.said
    file.rename(config.parent / "damaged.parquet")
    assert told("sweep", config, "--full", "--workers", "1").code in (0, 3)
    assert told("query", config, question, "--format", "json").printed == before
    assert all(c["state"] != "failing" for c in checks(config).values())


def test_without_its_export_a_missing_file_of_the_lake_is_named(config: Path):
    file = sorted((config.parent / "workspace" / "lake").rglob("*.parquet"))[0]
    file.unlink()
    (config.parent / "exports" / "reads.csv").unlink()
    refused = told("sweep", config, "--workers", "1")
    assert refused.code == 2, refused
    assert file.name in refused.said
    assert "reads.csv" in refused.said


def test_files_are_not_verified_while_a_sweep_changes_them(config: Path):
    with Workspace(config.parent / "workspace").hold():
        refused = told("health", config, "--deep")
    assert refused.code == 4
    assert "in use" in refused.said


def test_results_that_another_program_holds_are_not_called_damaged(config: Path):
    results = config.parent / "workspace" / "published" / "results.duckdb"
    holder = subprocess.Popen(
        [sys.executable, "-c", _HOLD, results], stdout=subprocess.PIPE, stdin=subprocess.PIPE
    )
    try:
        assert holder.stdout.readline()
        for words in (
            ("sweep", config),
            ("query", config, "select 1"),
            ("program", config, "--budget", "1"),
        ):
            refused = told(*words)
            assert refused.code == 4, refused
            assert "open in another program" in refused.said
        assert checks(config)["results"]["state"] == "warning"
    finally:
        holder.kill()
        holder.wait(30)
