"""The programme of a metric utility names meters in millimetres and knows their sizes."""

from __future__ import annotations

import polars as pl

from pipelines.commands.program import _size_in
from pipelines.commands.program_summary import _label

US = {
    "installed_type": "turbine",
    "installed_size_in": 2.0,
    "meter_type": "compound",
    "size_in": 0.625,
    "grade": "high_performance",
}
METRIC = {**US, "installed_size_mm": 50.0, "size_mm": 15.0}


def test_meters_are_named_in_the_units_of_the_results() -> None:
    assert _label(US, "installed_") == "2 in turbine"
    assert _label(US, "") == "5/8 in compound (high performance)"
    assert _label(METRIC, "installed_") == "50 mm turbine"
    assert _label(METRIC, "") == "15 mm compound (high performance)"


def test_a_size_in_millimetres_is_its_nominal_size_in_inches() -> None:
    frame = pl.DataFrame({"size_mm": [15.0, 40.0, 50.0, 300.0]})
    assert frame.select(_size_in())["size_mm"].to_list() == [0.625, 1.5, 2.0, 12.0]
