"""The file of a utility's accuracy tests: read whole, or refused by line and column."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipelines.configuration.load_accuracy_tests import load_accuracy_tests
from rightsize.errors import ConfigError
from rightsize.meters.catalogue import Catalogue
from rightsize.meters.curve import registration_ratio
from rightsize.meters.uncertainty.shrinkage import shrunk_curves
from rightsize.units import GPM_PER_M3H

HEAD = "meter_id,meter_type,size_in,age_years,flow_gpm,registered_pct\n"


def read(folder: Path, text: str, catalogue: Catalogue):
    path = folder / "tests.csv"
    path.write_text(text, encoding="utf-8")
    return load_accuracy_tests(path, catalogue)


def test_three_flows_of_a_meter_become_its_curve(tmp_path: Path, shipped: Catalogue) -> None:
    got = read(
        tmp_path,
        HEAD + "A,turbine,2,12,4,91\nA,turbine,2,12,20,97.5\nA,turbine,2,12,100,98.5\n",
        shipped,
    )
    assert got.meter_id == ("A", "A", "A")
    assert shipped.meters[int(got.meter_index[0])].label == "2 in turbine"
    assert got.flow_gpm.tolist() == [4, 20, 100]
    assert got.ratio == pytest.approx([0.91, 0.975, 0.985])
    curve = shrunk_curves(got, shipped.meters).meter(0, shipped.meters)
    assert registration_ratio(np.array([4.0]), curve)[0] == pytest.approx(0.91, abs=0.015)


def test_a_metric_utility_gives_cubic_metres(tmp_path: Path, shipped: Catalogue) -> None:
    got = read(tmp_path, HEAD.replace("gpm", "m3h") + "A,turbine,2,12,4,91\n", shipped)
    assert got.flow_gpm[0] == pytest.approx(4 * GPM_PER_M3H)


def test_a_grade_may_be_named(tmp_path: Path, shipped: Catalogue) -> None:
    text = HEAD.strip() + ",grade\nA,turbine,2,1,4,99,r100\n"
    got = read(tmp_path, text, shipped)
    assert shipped.meters[int(got.meter_index[0])].grade == "r100"


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("A,turbine,2,12,0,91", "line 2: flow_gpm: must be above 0"),
        ("A,turbine,2,12,4,-1", "line 2: registered_pct: must be from 0 to 200; got -1"),
        ("A,turbine,2,12,4,fast", "line 2: registered_pct: must be a number; got 'fast'"),
        ("A,turbine,2,nan,4,91", "line 2: age_years"),
        ("A,turbine,5,12,4,91", "line 2: 5 in turbine is not in the catalog"),
        ("A,venturi,2,12,4,91", "line 2: meter type 'venturi'"),
        (",turbine,2,12,4,91", "line 2: meter_id: must not be empty"),
        ("A,turbine,2", "line 2: age_years: must be a number; got ''"),
    ],
)
def test_a_wrong_line_is_refused_by_name(
    tmp_path: Path, shipped: Catalogue, line: str, words: str
) -> None:
    with pytest.raises(ConfigError) as caught:
        read(tmp_path, HEAD + line + "\n", shipped)
    assert words in str(caught.value)


@pytest.mark.parametrize("text", ["", "meter_id,flow_gpm,flow_m3h\n"])
def test_missing_columns_are_named(tmp_path: Path, shipped: Catalogue, text: str) -> None:
    with pytest.raises(ConfigError, match=r"missing columns: .*registered_pct.*one of them"):
        read(tmp_path, text, shipped)


def test_a_missing_file_is_one_clear_line(tmp_path: Path, shipped: Catalogue) -> None:
    with pytest.raises(ConfigError, match="no such file"):
        load_accuracy_tests(tmp_path / "none.csv", shipped)
