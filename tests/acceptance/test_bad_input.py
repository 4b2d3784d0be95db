"""Each bad input ends in one clear message and its exit code, or in a finding; never silent."""

from __future__ import annotations

import gzip
from pathlib import Path

import polars as pl
import pytest

from tests.acceptance.demo_run import Ended, Swept, results_of, run

BAD_CONFIG, PARTLY = 2, 3


def spoil(file: Path, old: str, new: str) -> None:
    """Replace the first of a text in a file; it must be there."""
    text = file.read_text()
    assert old in text
    file.write_text(text.replace(old, new, 1))


def refused(folder: Path) -> Ended:
    """A sweep that must be refused before anything is published."""
    ended = run("sweep", folder / "sweep.yaml")
    assert ended.code == BAD_CONFIG, ended.text
    assert not results_of(folder).exists()
    return ended


@pytest.fixture(scope="module")
def spoilt(small_for_module: Path) -> Swept:
    """An empty export, one with other columns, one with an unreadable row, an odd size."""
    exports = small_for_module / "exports"
    (exports / "reads_2024-12.csv.gz").unlink()
    (exports / "reads_2024-12.csv").write_text("")
    lines = unpacked(exports / "cellular_2024-12.csv.gz").splitlines()
    lines[0] = lines[0].replace("usage_gal", "gallons_used")
    (exports / "cellular_2024-12.csv").write_text("\n".join(lines) + "\n")
    lines = unpacked(exports / "walkby_2024-12.csv.gz").splitlines()
    meter_id, read_at, _, status = lines[6].split(",")
    lines[6] = f"{meter_id},{read_at},twelve,{status}"
    (exports / "walkby_2024-12.csv").write_text("\n".join(lines) + "\n")
    spoil(small_for_module / "meters.csv", "displacement,1,", "displacement,1.1,")
    spoil(small_for_module / "thresholds.yaml", "rejected_share: 0.001", "rejected_share: 0")
    return Swept(small_for_module, run("sweep", small_for_module / "sweep.yaml"))


def unpacked(packed: Path) -> str:
    """Text of a packed export, which is taken away."""
    text = gzip.decompress(packed.read_bytes()).decode()
    packed.unlink()
    return text


def test_a_missing_configuration(tmp_path: Path):
    ended = run("sweep", tmp_path / "sweep.yaml")
    assert ended.code == BAD_CONFIG
    assert "no such file" in ended.text


def test_a_folder_in_place_of_a_configuration(small: Path):
    ended = run("sweep", small)
    assert ended.code == BAD_CONFIG
    assert "is a folder" in ended.text


@pytest.mark.parametrize("name", ["meters.csv", "tariff.yaml", "catalogue.yaml"])
def test_a_missing_file_is_named(small: Path, name: str):
    (small / name).unlink()
    assert f"{name}: no such file" in refused(small).text


def test_an_export_that_is_not_there(small: Path):
    spoil(small / "sweep.yaml", "exports/reads*.csv*", "exports/nothing*.csv*")
    ended = refused(small)
    assert "nothing*.csv*" in ended.text
    assert "fixed-network" in ended.text


def test_a_key_that_the_configuration_does_not_have(small: Path):
    spoil(small / "sweep.yaml", "timezone:", "timezon:")
    assert "timezon: unknown key" in refused(small).text


def test_a_meter_type_that_does_not_exist(small: Path):
    spoil(small / "meters.csv", "displacement", "displcement")
    ended = refused(small)
    assert "displcement" in ended.text
    assert "line" in ended.text
    assert "electromagnetic" in ended.text  # what is allowed


def test_a_unit_that_is_not_known(small: Path):
    spoil(small / "sweep.yaml", "unit: gal", "unit: hogshead")
    ended = refused(small)
    assert "hogshead" in ended.text
    assert "ccf" in ended.text  # what is allowed


def test_what_could_not_be_read_ends_with_code_3(spoilt: Swept):
    assert spoilt.ended.code == PARTLY


def test_an_empty_export_is_named(spoilt: Swept):
    assert "reads_2024-12.csv" in spoilt.ended.text
    assert "empty" in spoilt.ended.text


def test_a_column_that_a_file_does_not_have_is_named_with_those_it_has(spoilt: Swept):
    assert "cellular_2024-12.csv" in spoilt.ended.text
    assert "'usage_gal'" in spoilt.ended.text
    assert "gallons_used" in spoilt.ended.text


def test_the_rest_lands_all_the_same(spoilt: Swept):
    files = {Path(p).name for (p,) in spoilt.rows("select path from landed_file")}
    assert {"reads_2025-01.csv.gz", "cellular_2025-01.csv.gz", "walkby_2024-12.csv"} <= files


def test_an_unreadable_row_is_kept_with_file_line_and_rule(spoilt: Swept):
    rows = spoilt.rows(
        "select source_line, rule, value from rejected_read"
        " where source_file like '%walkby_2024-12.csv'"
    )
    assert [(line, value) for line, _, value in rows] == [(7, "twelve")]
    assert "unreadable" in rows[0][1]


def test_a_meter_size_that_the_catalogue_does_not_have_is_told(spoilt: Swept):
    rows = spoilt.rows("select message from not_assessed where code = 'meter_not_in_catalogue'")
    assert len(rows) == 1
    assert "1.1 in displacement is not in the catalog" in rows[0][0]


def test_a_meter_that_is_only_in_the_reads(swept: Swept):
    [unlisted] = planted(swept, "unlisted")
    found = swept.rows("select meter_id, severity from finding where code = 'unknown_meter'")
    assert found == [(unlisted, "serious")]
    assert "unknown meter" in swept.ended.text


def test_a_meter_that_is_only_in_the_list(swept: Swept):
    [silent] = planted(swept, "silent")
    found = swept.rows("select meter_id from finding where code = 'no_reads'")
    refused = swept.rows("select meter_id from not_assessed where code = 'no_reads'")
    assert found == refused == [(silent,)]


def test_a_demo_does_not_overwrite_what_it_did_not_make(tmp_path: Path):
    (tmp_path / "letters.txt").write_text("not a demo")
    ended = run("demo", tmp_path, "--accounts", "20", "--months", "1")
    assert ended.code == BAD_CONFIG
    assert "is not empty" in ended.text


def planted(swept: Swept, trouble: str) -> list[str]:
    """Meters of accounts with this trouble."""
    truth = pl.read_csv(swept.folder / "truth/accounts.csv")
    return truth.filter(pl.col("trouble") == trouble)["meter_id"].to_list()
