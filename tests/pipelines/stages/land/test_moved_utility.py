"""A utility's folder, workspace and exports together, may be moved: nothing is called gone."""

from __future__ import annotations

import shutil
from pathlib import Path

from tests.pipelines.exports import HEADER, METERS, Utility, hourly


def moved(utility: Utility, folder: Path) -> Utility:
    shutil.move(utility.folder, folder)
    return Utility(folder, utility.export)


def first(folder: Path) -> Utility:
    utility = Utility(folder, {})
    utility.write("a.csv", HEADER + hourly("M1", "2025-06-01", [1, 2, 3]))
    assert len(utility.land().files) == 1
    return utility


def test_nothing_is_read_again_where_it_lies_now(tmp_path: Path) -> None:
    utility = moved(first(tmp_path / "old"), tmp_path / "new")
    again = utility.land()
    assert (len(again.files), again.problems) == (0, ())


def test_a_changed_multiplier_finds_the_file_where_it_lies_now(tmp_path: Path) -> None:
    utility = moved(first(tmp_path / "old"), tmp_path / "new")
    scaled = METERS.replace(
        "A-1,M1,displacement,1,office,,", "A-1,M1,displacement,1,office,10,"
    )
    assert scaled != METERS
    (utility.folder / "meters.csv").write_text(scaled)
    loaded_again = utility.land()
    assert loaded_again.problems == ()
    assert [r["registered_gal"] for r in utility.lake()] == [10.0, 20.0, 30.0]
