"""Lists of the test program in the units of the results, safe to open in a spreadsheet."""

from __future__ import annotations

import csv
import datetime as dt

import polars as pl
import pytest

from pipelines.commands.field.meter_tests_summary import write_test_program
from pipelines.configuration.load_catalogue import load_service_rules
from pipelines.stages.meter_tests.program import TestProgram
from rightsize.meter_tests.layouts import FILES
from rightsize.units import GAL_PER_M3, GPM_PER_M3H

KIND = {"number": pl.Float64, "integer": pl.Int64, "text": pl.String, "date": pl.Date}


def frame(name: str, **held: object) -> pl.DataFrame:
    """One row of a file, empty but for what is held."""
    columns = FILES[name].columns
    schema = {c.name: KIND[c.type] for c in columns}
    return pl.DataFrame([{c.name: held.get(c.name) for c in columns}], schema=schema)


@pytest.fixture
def program() -> TestProgram:
    due = frame("meters_due", account_id="=A-1", size_in=0.75, registered_gal_per_year=1000.0)
    return TestProgram(
        as_of=dt.date(2026, 1, 1),
        within_months=12,
        rule=load_service_rules().of("maine"),
        due=due.with_columns(is_due=True, is_date_known=True),
        lots=frame("lots"),
        sample=frame("sample"),
        outcomes=frame("outcomes", lost_gal_per_year=500.0),
        flows=frame("test_flows", size_in=2.0, flow_gpm=15.0),
    )


def rows(folder, name):
    with (folder / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_us_units_stay(program, tmp_path) -> None:
    paths = write_test_program(program, tmp_path, units="us")
    assert [p.name for p in paths] == [f"{name}.csv" for name in FILES]
    [row] = rows(tmp_path, "meters_due")
    assert list(row) == list(FILES["meters_due"].column_names)
    assert (float(row["size_in"]), float(row["registered_gal_per_year"])) == (0.75, 1000.0)
    assert row["account_id"] == "'=A-1"


def test_a_metric_utility_gets_metric_columns(program, tmp_path) -> None:
    write_test_program(program, tmp_path, units="metric")
    [due] = rows(tmp_path, "meters_due")
    assert float(due["size_mm"]) == 20.0  # DN of a 3/4 in meter
    assert float(due["registered_m3_per_year"]) == pytest.approx(1000 / GAL_PER_M3)
    [flow] = rows(tmp_path, "test_flows")
    assert float(flow["size_mm"]) == 50.0
    assert float(flow["flow_m3h"]) == pytest.approx(15 / GPM_PER_M3H)
    [outcome] = rows(tmp_path, "outcomes")
    assert float(outcome["lost_m3_per_year"]) == pytest.approx(500 / GAL_PER_M3)


def test_only_what_is_due_or_without_a_date_is_listed(program, tmp_path) -> None:
    for due, dated, count in ((True, True, 1), (False, False, 1), (False, True, 0)):
        held = program.due.with_columns(is_due=pl.lit(due), is_date_known=pl.lit(dated))
        one = TestProgram(**{**program.__dict__, "due": held})
        write_test_program(one, tmp_path / f"{due}{dated}", units="us")
        assert len(rows(tmp_path / f"{due}{dated}", "meters_due")) == count
