"""A path that was found means its file alone, whatever signs its name holds."""

from __future__ import annotations

import os
import tempfile
import threading
from pathlib import Path

import duckdb
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.commands.look.propose import propose_mapping
from pipelines.configuration.load_settings import load
from pipelines.stages.land.lake_parts import landing_folder, take_out
from pipelines.store.file_stamp import ExportPlace, export_paths
from pipelines.store.warehouse import literal
from pipelines.sweep.sweep import run_sweep
from rightsize.errors import ConfigError
from tests.pipelines.exports import HEADER, Utility, hourly
from tests.pipelines.small_utility import add_export, published_tables, quick_utility

INTERVAL = {"layout": "interval", "unit": "gal", "interval_min": 60}


def landed(utility: Utility) -> list[tuple[str, float]]:
    return [(row["meter_id"], row["registered_gal"]) for row in utility.lake()]


def parquet_of(path: Path, volume: float) -> None:
    with duckdb.connect() as connection:
        connection.execute(
            "create table read as select 'M1' as meter_id, "
            "timestamp '2025-06-01 01:00' as interval_end, ?::double as volume, 'A' as quality",
            [volume],
        )
        connection.sql("from read").write_parquet(str(path))


def test_files_whose_names_look_like_patterns_land_each_once(tmp_path: Path):
    utility = Utility(tmp_path, dict(INTERVAL))
    for name, day in {"reads[1].csv": 1, "reads1.csv": 2, "r?ads1.csv": 3, "r*.csv": 4}.items():
        utility.write(name, HEADER + hourly("M1", f"2025-06-0{day}", [day]))
    summary = utility.land()
    assert summary.rows_landed == 4
    assert landed(utility) == [("M1", 1.0), ("M1", 2.0), ("M1", 3.0), ("M1", 4.0)]


def test_a_parquet_file_of_such_a_name_does_not_land_its_siblings(tmp_path: Path):
    utility = Utility(tmp_path, dict(INTERVAL))
    for name, volume in {"p*.parquet": 1.0, "p1.parquet": 2.0, "p[1].parquet": 3.0}.items():
        parquet_of(tmp_path / "exports" / name, volume)
    assert utility.land().rows_landed == 3
    assert sorted(v for _, v in landed(utility)) == [1.0, 2.0, 3.0]


def test_a_folder_that_looks_like_a_column_adds_none(tmp_path: Path):
    utility = Utility(tmp_path, {**INTERVAL, "path": "exports/*/*"})
    folder = tmp_path / "exports" / "meter_id=M2"
    folder.mkdir()
    parquet_of(folder / "p.parquet", 5.0)
    (folder / "reads.csv").write_text(HEADER + hourly("M1", "2025-06-02", [6]))
    utility.land()
    assert landed(utility) == [("M1", 5.0), ("M1", 6.0)]


def test_a_configuration_in_such_a_folder_reads_its_own_exports(tmp_path: Path):
    other = Utility(tmp_path / "city1", dict(INTERVAL))
    other.write("reads.csv", HEADER + hourly("M2", "2025-06-01", [99]))
    utility = Utility(tmp_path / "city[1]", {**INTERVAL, "path": "exports/reads*.csv"})
    utility.write("reads.csv", HEADER + hourly("M1", "2025-06-01", [1]))
    assert utility.land().rows_landed == 1
    files = [literal(p) for p in (tmp_path / "city[1]/workspace/lake").rglob("*.parquet")]
    with duckdb.connect() as connection:
        names = connection.execute("select meter_id from read_parquet(?)", [files]).fetchall()
    assert names == [("M1",)]


@pytest.mark.heavy_ci
@pytest.mark.heavy
@pytest.mark.parametrize("name", ["city[1]", "a*b", "month=1999-01"])
def test_a_sweep_in_such_a_folder_publishes_what_it_publishes_elsewhere(
    name: str, tmp_path: Path
):
    tables = []
    for folder in ("plain", name):
        config = quick_utility(tmp_path / folder)
        for decoy in ("city1", "axbx"):
            (tmp_path / decoy / "exports").mkdir(parents=True, exist_ok=True)
        run_sweep(load(config), workers=2)
        add_export(config.parent)
        run_sweep(load(config), workers=2)
        tables.append(published_tables(config))
    assert tables[0] == tables[1]


def test_a_workspace_where_the_database_cannot_lie_is_refused(tmp_path: Path):
    utility = Utility(tmp_path / "really?", dict(INTERVAL))
    with pytest.raises(ConfigError, match="workspace: its path must not contain a"):
        assert utility.loaded


SIGNS = "ab[]*?{}!-^~%,'=1"


@given(st.sets(st.text(SIGNS, min_size=1, max_size=5), min_size=1, max_size=6), st.booleans())
@settings(max_examples=25, deadline=None)
def test_every_file_lands_once_whatever_the_names(names: set[str], is_parquet: bool):
    with tempfile.TemporaryDirectory() as folder:
        utility = Utility(Path(folder), dict(INTERVAL))
        for volume, name in enumerate(sorted(names), start=1):
            if is_parquet:
                parquet_of(utility.folder / "exports" / name, volume)
            else:
                utility.write(name, f"{HEADER}M1,2025-06-01 01:00,{volume},A\n")
        summary = utility.land()
        assert not summary.unread
        expected = [float(v) for v in range(1, len(names) + 1)]
        assert sorted(v for _, v in landed(utility)) == expected


def test_only_what_the_configuration_writes_is_a_pattern(tmp_path: Path):
    folder = tmp_path / "city[1]"
    (folder / "in").mkdir(parents=True)
    for name in ("reads1.csv", "reads[1].csv", "reads2.csv", ".hidden.csv"):
        (folder / "in" / name).touch()

    def found(written: str) -> list[str]:
        return [p.name for p in export_paths(ExportPlace.of(folder, written))[0]]

    assert found("in/reads?.csv") == ["reads1.csv", "reads2.csv"]
    assert found("in/reads[2].csv") == ["reads2.csv"]
    assert found("in/reads[1].csv") == ["reads[1].csv"]  # there is one of just this name
    assert found("in") == found("in/*") == found("**") == found("**/*.csv")
    assert found("in") == ["reads1.csv", "reads2.csv", "reads[1].csv"]
    assert found("in/none.csv") == []
    assert found(str(folder / "in" / "reads[3].csv")) == []
    (folder / "in" / "reads*.csv").touch()
    assert "reads1.csv" in found("in/reads*.csv")  # one file's name hides no others
    assert found(str(folder / "in" / "reads*")) == found("in")


def test_links_that_loop_name_each_file_once_and_soon(tmp_path: Path):
    deep = tmp_path / "exports" / "a" / "b"
    deep.mkdir(parents=True)
    (deep / "reads.csv").touch()
    for k in range(6):
        (deep / f"up{k}").symlink_to(tmp_path / "exports")
        (tmp_path / "exports" / f"down{k}").symlink_to(deep)
    (deep / "self").symlink_to(deep / "self")
    files, problems = export_paths(ExportPlace.of(tmp_path, "exports/**/*.csv"))
    assert [f.name for f in files] == ["reads.csv"]
    assert problems == []


@pytest.mark.parametrize(
    "target", ["/proc/kmsg", "/proc/kcore", "/proc/self/maps", "/dev/zero"]
)
def test_a_link_to_a_file_of_the_kernel_is_left_alone(tmp_path: Path, target: str):
    if not os.path.exists(target):
        pytest.skip(f"no {target} here")
    utility = Utility(tmp_path, dict(INTERVAL))
    utility.write("reads.csv", HEADER + hourly("M1", "2025-06-01", [5]))
    (tmp_path / "exports" / "kernel.csv").symlink_to(target)
    summary = utility.land()
    assert summary.rows_landed == 1
    assert "not a regular file" in summary.unread[0]


def test_look_does_not_wait_for_a_pipe(tmp_path: Path):
    pipe = tmp_path / "pipe.csv"
    os.mkfifo(pipe)
    said: list[str] = []

    def look() -> None:
        try:
            propose_mapping(pipe)
        except ConfigError as error:
            said.append(str(error))

    looking = threading.Thread(target=look, daemon=True)
    looking.start()
    looking.join(20)
    assert said == [f"{pipe}: not a regular file"]


@pytest.mark.parametrize("said", ["*", "?" * 32, "../../x", "", "\u00e9"])
def test_what_a_damaged_mark_of_a_landing_says_removes_nothing(tmp_path: Path, said: str):
    utility = Utility(tmp_path, dict(INTERVAL))
    utility.write("reads.csv", HEADER + hourly("M1", "2025-06-01", [5, 6]))
    utility.land()
    before = utility.lake()
    for name in ("f" * 32, "*"):
        aside = landing_folder(utility.workspace) / name
        aside.mkdir(parents=True)
        (aside / "replaces").write_text(said, encoding="utf-8")
    utility.land()
    assert utility.lake() == before
    assert not any(landing_folder(utility.workspace).iterdir())
    with pytest.raises(ValueError, match="is not the name of a landed file"):
        take_out(said, utility.workspace)
