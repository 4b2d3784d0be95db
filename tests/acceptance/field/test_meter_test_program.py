"""The test program on a swept utility: planted tests and dates, and what is said of them."""

from __future__ import annotations

import csv
import datetime as dt
from pathlib import Path

import polars as pl
import pytest
import yaml

from pipelines.configuration.load_catalogue import load_catalogue
from rightsize.meters.curve import registration_ratio
from tests.acceptance.demo_run import Swept, ask, run

pytestmark = [pytest.mark.heavy, pytest.mark.heavy_ci]  # half a minute or more

START = "2026-01-01"
OLD, NEW = dt.date(2005, 1, 1), dt.date(2024, 1, 1)
SLOW = 0.85  # registered of what a new meter would, out of every limit


def csv_rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def utility(swept: Swept, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A configuration beside the swept one: half the meters old, six of them tested."""
    folder = tmp_path_factory.mktemp("tested")
    meters = pl.read_csv(swept.folder / "meters.csv", infer_schema=False)
    served = meters.filter(pl.col("removed_on").fill_null("") == "")
    old = served["meter_id"].to_list()[::2]
    meters = meters.with_columns(
        installed_on=pl.when(pl.col("meter_id").is_in(old))
        .then(pl.lit(str(OLD)))
        .when(pl.col("removed_on").fill_null("") == "")
        .then(pl.lit(str(NEW)))
        .otherwise("installed_on")
    )
    meters.write_csv(folder / "meters.csv")
    (folder / "tests.csv").write_text(
        planted_tests(served.filter(pl.col("meter_id").is_in(old)))
    )
    settings = yaml.safe_load((swept.folder / "sweep.yaml").read_text())
    settings |= {
        "workspace": str(swept.folder / "workspace"),
        "meters": "meters.csv",
        "accuracy_tests": "tests.csv",
        **{n: str(swept.folder / settings[n]) for n in ("catalogue", "tariff", "thresholds")},
    }
    for export in settings["exports"]:
        export["path"] = str(swept.folder / export["path"])
    (folder / "sweep.yaml").write_text(yaml.safe_dump(settings, sort_keys=False))
    return folder / "sweep.yaml"


def planted_tests(old: pl.DataFrame) -> str:
    """Tests at an age of 20 of six displacement meters: three slow ones, three sound ones."""
    catalogue = load_catalogue()
    lines = ["meter_id,meter_type,size_in,age_years,flow_gpm,registered_pct"]
    kinds = old.filter(pl.col("meter_type") == "displacement").head(6)
    for place, row in enumerate(kinds.iter_rows(named=True)):
        meter = catalogue.find("displacement", float(row["size_in"]))
        for flow in (meter.min_test_gpm, 2 * meter.normal_min_gpm, meter.continuous_gpm):
            told = registration_ratio(flow, meter) * (SLOW if place < 3 else 1)
            lines.append(
                f"{row['meter_id']},displacement,{row['size_in']},20,{flow},{100 * told:.2f}"
            )
    return "\n".join(lines) + "\n"


@pytest.fixture(scope="module")
def written(utility: Path) -> Path:
    folder = utility.parent / "program"
    ended = run("test-program", utility, "--as-of", START, "--to", folder)
    assert ended.code == 0
    assert "meters are due for a test" in ended.text
    assert "Fire and combined lines" in ended.text  # the cautions stay
    return folder


def test_old_meters_are_due_by_rule_and_new_ones_are_not(written: Path) -> None:
    due = {r["meter_id"]: r for r in csv_rows(written / "meters_due.csv")}
    small = [r for r in due.values() if float(r["size_in"]) <= 1]
    assert any(r["installed_on"] == str(OLD) for r in small)
    for row in small:
        is_ruled = "rule" in row["due_by"].split()
        assert is_ruled == (row["installed_on"] == str(OLD) and not row["last_tested_on"])


def test_a_slow_meter_does_not_pass_and_a_sound_one_does(written: Path, utility: Path) -> None:
    outcomes = {r["meter_id"]: r for r in csv_rows(written / "outcomes.csv")}
    tested = dict.fromkeys(r["meter_id"] for r in csv_rows(utility.parent / "tests.csv"))
    assert len(outcomes) == len(tested) == 6
    for place, name in enumerate(tested):
        row = outcomes[name]
        assert (row["outcome"] != "pass") == (place < 3)
        if place < 3:
            assert float(row["tested_weighted"]) == pytest.approx(
                SLOW * float(row["new_weighted"]), abs=0.002
            )
            assert "below" in row["reason"]


def test_lots_and_their_samples_add_up(written: Path) -> None:
    lots = csv_rows(written / "lots.csv")
    drawn = csv_rows(written / "sample.csv")
    missing = sum(
        max(int(r["sample_count"]) - int(r["tested_count"]), 0)
        for r in lots
        if r["decision"] == "not decided"
    )
    assert lots
    assert len(drawn) == missing
    assert sum(int(r["tested_count"]) for r in lots) <= 6


def test_test_flows_are_told_for_what_is_in_service(written: Path) -> None:
    flows = [r for r in csv_rows(written / "test_flows.csv")
             if (r["meter_type"], r["size_in"]) == ("displacement", "0.625")]  # fmt: skip
    assert [float(r["flow_gpm"]) for r in flows] == [0.25, 2, 15]  # STANDARD READ: Maine ch. 62


def test_the_same_program_twice_is_the_same(utility: Path, written: Path, tmp_path) -> None:
    assert run("test-program", utility, "--as-of", START, "--to", tmp_path).code == 0
    for path in written.glob("*.csv"):
        assert (tmp_path / path.name).read_bytes() == path.read_bytes()


def test_the_published_tables_say_what_the_command_says(swept: Swept, tmp_path) -> None:
    """By SQL: which meters are due, why, and at which flows."""
    assert run("test-program", swept.folder / "sweep.yaml", "--to", tmp_path).code == 0
    told = ask(
        swept.folder,
        "select meter_id, due_by, draw_order from results.meter_test_due",
    )
    listed = {r["meter_id"]: r["due_by"] for r in csv_rows(tmp_path / "meters_due.csv")}
    drawn = {r["meter_id"]: int(r["draw_order"]) for r in csv_rows(tmp_path / "sample.csv")}
    assert {m: place for m, _, place in told if place is not None} == drawn
    assert {m: by for m, by, _ in told if m in listed} == listed
    assert {m for m, _, _ in told} == set(listed) | set(drawn)
    untold = ask(
        swept.folder,
        "select count(*) from results.meter_test_due anti join results.meter_test_flow"
        " using (sweep_id, meter_type, size_in) where service_kind != 'fire'",
    )
    assert untold == [(0,)]


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"rule": "atlantis"}, "unknown test rule 'atlantis'; allowed: florida"),
        ({"rule": "florida"}, "rule 'florida' has no limits"),
        (
            {"schedule": "atlantis"},
            "unknown test schedule 'atlantis'; allowed: common_practice",
        ),
        ({"aql_pct": 3}, "meter_tests.aql_pct: must be one of 0.65"),
        ({"inspection_level": "IV"}, "meter_tests.inspection_level"),
    ],
)
def test_what_cannot_be_is_refused_in_a_line(utility: Path, tmp_path, more, words) -> None:
    settings = yaml.safe_load(utility.read_text()) | {"meter_tests": more}
    spoilt = utility.with_name("spoilt.yaml")
    spoilt.write_text(yaml.safe_dump(settings))
    ended = run("test-program", spoilt)
    assert ended.code == 2
    assert words in ended.text


def test_a_day_that_is_none_is_refused(utility: Path) -> None:
    ended = run("test-program", utility, "--as-of", "January")
    assert ended.code == 2
    assert "--as-of: must be a date such as 2026-01-31" in ended.text
