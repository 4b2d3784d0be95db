"""One fleet, written in US and in metric files: the same verdicts from both.

PLANTED: the demo's own water; both folders hold the same register steps.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path

import duckdb
import polars as pl
import pytest
from polars.testing import assert_frame_equal
from rich.console import Console

from pipelines.configuration.load_catalogue import catalogue_yaml, load_catalogue
from pipelines.configuration.load_settings import load
from pipelines.demo.write import write_demo
from pipelines.sweep.sweep import run_sweep, show_outcome
from rightsize.meter_types import METER_TYPES
from tests.acceptance.metric_utility import (
    BAR_OF_PSI,
    GPM_OF_M3H,
    M3_OF_GAL,
    MM_OF_IN,
    write_metric_twin,
)

ACCOUNTS, MONTHS, SEED = 40, 4, 6
DRAWS = 16  # few: agreement of two sweeps is tested, not what they say
ROUNDING = 1e-6  # of values that went through both unit systems, relative
SMALLEST = 1e-6  # m3 or m3/h: less is nothing
SMALLEST_USD = 1e-3  # money is a difference of single-precision amounts of up to 10,000 USD
VALUE_OF_UNIT = {"m3": float(M3_OF_GAL), "m3h": 1 / GPM_OF_M3H, "bar": float(BAR_OF_PSI)}
TABLES = ("recommendation", "candidate", "profile", "flow_band")
KEYS = ("account_id", "meter_id", "band_from_m3h", "meter_type", "size_mm", "grade")
OWN_WORDS = ("sweep_id", "reason", "message", "evidence", "runner_up", "rejected_because")
SENTENCES = {
    "recommendation": ("reason", "runner_up"),
    "finding": ("message",),
    "not_assessed": ("message",),
}
TYPES = "|".join(t.replace("_", " ") for t in METER_TYPES)
US_WORDS = rf"\b(gpm|gal|psi)\b|\d in (?:{TYPES})"
METRIC_WORDS = r"m³|\d mm "


@dataclass(frozen=True)
class Twins:
    """Two folders of one fleet, swept, and what the sweeps said at their end."""

    us: Path
    metric: Path
    told: dict[Path, str]

    def table(self, name: str) -> tuple[pl.DataFrame, pl.DataFrame]:
        """A published table of both, rows in one order."""
        return _table(self.us, name), _table(self.metric, name)


def _table(folder: Path, name: str) -> pl.DataFrame:
    results = folder / "workspace" / "published" / "results.duckdb"
    with duckdb.connect(str(results), read_only=True) as connection:
        return connection.sql(f"from results.{name}").pl()


@pytest.fixture(scope="module")
def twins(tmp_path_factory: pytest.TempPathFactory) -> Twins:
    folder = tmp_path_factory.mktemp("twins")
    us, metric = folder / "us", folder / "metric"
    write_demo(us, accounts=ACCOUNTS, months=MONTHS, seed=SEED, workers=1)
    limits = us / "thresholds.yaml"
    limits.write_text(f"{limits.read_text()}draws: {DRAWS}\nrefit_usd_per_in: 20\n")
    gallons = us / "catalogue.yaml"
    gallons.write_text(catalogue_yaml(load_catalogue(gallons)))
    write_metric_twin(us, metric, load_catalogue())
    told = {}
    for side in (us, metric):
        console = Console(record=True, file=io.StringIO(), width=120)
        show_outcome(run_sweep(load(side / "sweep.yaml"), workers=1), console)
        told[side] = console.export_text()
    return Twins(us, metric, told)


def _as_metric(us: pl.DataFrame, names: list[str]) -> pl.DataFrame:
    """US rows under metric names, by the test's own factors."""
    columns = []
    for theirs, name in zip(names, us.columns, strict=True):
        column = us[name].alias(theirs)
        last = theirs.removesuffix("_per_year").split("_")[-1]
        if theirs.endswith("_mm"):
            column = column.replace_strict(MM_OF_IN, default=None, return_dtype=pl.Float64)
        elif theirs != name:
            column = column * VALUE_OF_UNIT[last]
        columns.append(column.alias(theirs))
    return pl.DataFrame(columns)


@pytest.mark.parametrize("name", TABLES)
def test_published_tables_hold_the_same_rows_in_other_units(twins: Twins, name: str) -> None:
    us, metric = twins.table(name)
    expected = _as_metric(us, metric.columns)
    key = [n for n in KEYS if n in metric.columns]
    money = [n for n in metric.columns if "usd" in n.split("_") and n not in key]
    for columns, smallest in (
        ([n for n in metric.columns if n not in (*money, *OWN_WORDS)], SMALLEST),
        ([*key, *money], SMALLEST_USD),
    ):
        assert_frame_equal(
            metric.sort(key).select(columns),
            expected.sort(key).select(columns),
            rel_tol=ROUNDING,
            abs_tol=smallest,
            check_exact=False,
        )
    assert metric.height > ACCOUNTS / 2


def test_the_fleet_is_worth_comparing(twins: Twins) -> None:
    us, _ = twins.table("recommendation")
    assert set(us["verdict"]) >= {"fits", "oversized", "wrong_type", "not_assessed"}
    assert set(us["action"]) >= {"change", "keep", "refer"}
    meters = (twins.metric / "meters.csv").read_text().splitlines()
    assert {"size_mm", "service_line_mm", "spare_head_bar"} <= set(meters[0].split(","))
    assert "q3_m3h" in (twins.metric / "catalogue.yaml").read_text()


def test_findings_are_the_same(twins: Twins) -> None:
    us, metric = twins.table("finding")
    key = ["account_id", "meter_id", "code", "severity"]
    assert_frame_equal(us.select(key).sort(key), metric.select(key).sort(key))


def test_sentences_speak_the_units_of_the_utility(twins: Twins) -> None:
    for table, columns in SENTENCES.items():
        us, metric = twins.table(table)
        for column in columns:
            assert metric.filter(pl.col(column).str.contains(US_WORDS))[column].to_list() == []
            assert us.filter(pl.col(column).str.contains(METRIC_WORDS))[column].to_list() == []
            if table != "not_assessed":
                assert us[column].str.contains(US_WORDS).any()
                assert metric[column].str.contains(METRIC_WORDS).any()


def test_the_figures_of_a_sentence_are_those_of_its_row(twins: Twins) -> None:
    """Three significant digits are said, so a figure may be half a per cent off."""
    _, metric = twins.table("recommendation")
    said = metric.with_columns(
        said=pl.col("reason").str.extract(r"peak of ([\d.]+) m³/h").cast(pl.Float64)
    ).filter(pl.col("said").is_not_null())
    assert said.height > ACCOUNTS / 2
    off = (said["said"] / said["peak_10s_m3h"] - 1).abs()
    assert off.max() <= 0.005


def test_both_sweeps_end_with_a_summary(twins: Twins) -> None:
    assert "Ten best change-outs" in twins.told[twins.us]
    assert "Ten best change-outs" in twins.told[twins.metric]
    assert " mm turbine" in twins.told[twins.metric]
    assert " in turbine" not in twins.told[twins.metric]
