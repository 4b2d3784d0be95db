"""Meter tests that come back to the demo show its planted meters."""

from __future__ import annotations

import csv
import datetime as dt
from pathlib import Path

import pytest

from pipelines.configuration.fleet import load_fleet
from pipelines.configuration.load_accuracy_tests import load_accuracy_tests, load_test_days
from pipelines.configuration.load_catalogue import load_catalogue
from pipelines.configuration.load_settings import load
from pipelines.demo.back.bring_back import bring_back
from pipelines.demo.back.tests_of_meters import ERROR_SD, meters_with_tests, write_tests
from pipelines.demo.fleet import fleet_of
from pipelines.demo.write import write_demo
from pipelines.stages.meter_tests.program import latest_tests
from rightsize.campaign.visit import Visit
from rightsize.errors import ConfigError
from rightsize.meters.curve import registration_ratio

ACCOUNTS, SEED = 60, 20


@pytest.fixture(scope="module")
def town(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("tests") / "town"
    write_demo(folder, accounts=ACCOUNTS, months=2, seed=SEED, workers=1)
    return folder


@pytest.fixture(scope="module")
def tested(town: Path) -> dict[str, list[dict[str, str]]]:
    """Rows by meter, of every meter of the demo."""
    plans = fleet_of(ACCOUNTS, SEED)
    write_tests(town, [plan.meter_id for plan in plans])
    found: dict[str, list[dict[str, str]]] = {}
    with (town / "accuracy_tests.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            found.setdefault(row["meter_id"], []).append(row)
    return found


def test_a_new_demo_has_no_test_and_names_them_once_there_are_some(tmp_path: Path) -> None:
    write_demo(tmp_path / "new", accounts=20, months=1, workers=1)
    config = tmp_path / "new" / "sweep.yaml"
    assert meters_with_tests(config.parent) == set()
    assert load(config).settings.accuracy_tests is None
    write_tests(config.parent, [fleet_of(20, 20)[0].meter_id])
    loaded = load(config)
    assert latest_tests(loaded, load_catalogue())["meter_id"].n_unique() == 1
    named = config.read_text()
    write_tests(config.parent, [fleet_of(20, 20)[1].meter_id])
    assert config.read_text() == named
    write_demo(config.parent, accounts=20, months=1, workers=1)
    assert meters_with_tests(config.parent) == set()


def test_a_file_without_rows_is_no_test_yet(tmp_path: Path) -> None:
    write_demo(tmp_path, accounts=20, months=1, workers=1)
    write_tests(tmp_path, [fleet_of(20, 20)[0].meter_id])
    path = tmp_path / "accuracy_tests.csv"
    path.write_text(path.read_text().splitlines()[0] + "\n")
    loaded = load(tmp_path / "sweep.yaml")
    assert latest_tests(loaded, load_catalogue()).is_empty()
    assert load_fleet(loaded).settings.installed is None


def test_sound_meters_register_as_their_curve_and_planted_ones_do_not(tested) -> None:
    """PLANTED: stopped meters register nothing, slow ones lose 3 % a month."""
    catalogue = load_catalogue()
    plans = {plan.meter_id: plan for plan in fleet_of(ACCOUNTS, SEED)}
    left = {"stopped": 0.0, "slow": 0.97}
    seen = set()
    for meter_id, rows in tested.items():
        trouble = plans[meter_id].trouble
        seen.add(trouble)
        for row in rows:
            meter = catalogue.find(row["meter_type"], float(row["size_in"]))
            true = float(registration_ratio(float(row["flow_gpm"]), meter))
            share = float(row["registered_pct"]) / 100
            assert share == pytest.approx(true * left.get(trouble, 1), abs=5 * ERROR_SD)
    assert {"stopped", "slow"} & seen
    assert len(tested) > ACCOUNTS / 2


def test_fire_lines_are_not_tested_and_the_file_is_one_that_a_sweep_reads(town, tested) -> None:
    tests = load_accuracy_tests(town / "accuracy_tests.csv", load_catalogue())
    assert set(tests.meter_id) == set(tested)
    assert not any(row[0]["meter_type"] == "fire_service" for row in tested.values())
    days = load_test_days(town / "accuracy_tests.csv")
    assert set(days.values()) == {dt.date(2025, 1, 31)}


def test_a_meter_is_tested_once(town: Path, tested) -> None:
    held = (town / "accuracy_tests.csv").read_bytes()
    assert write_tests(town, list(tested)) == []
    assert (town / "accuracy_tests.csv").read_bytes() == held


def visit(account: str, meter: str, kind: str, loggers: int) -> Visit:
    return Visit(
        account_id=account, meter_id=meter, kind=kind, week_start_on=dt.date(2026, 1, 5),
        area="A", crew=1, logger_count=loggers, duration_days=2.0, expected_gain_usd=500.0,
        cost_usd=100.0, net_usd=400.0, reason="",
    )  # fmt: skip


def test_a_campaign_brings_its_logs_and_its_tests_and_then_nothing(tmp_path: Path) -> None:
    folder = tmp_path / "town"
    write_demo(folder, accounts=20, months=1, workers=1)
    plans = [p for p in fleet_of(20, 20) if p.trouble is None or p.trouble == "none"]
    first, second = (plans or fleet_of(20, 20))[:2]
    planned = (
        visit(first.account_id, first.meter_id, "flow_logging", 1),
        visit(second.account_id, second.meter_id, "accuracy_test", 0),
        visit("A-9001", "elsewhere", "accuracy_test", 0),
    )
    lines = bring_back(folder, planned)
    assert [line.split(",")[0] for line in lines] == [
        "flow logs: 1 accounts of the campaign",
        "accuracy tests: 1 meters of the campaign",
    ]
    assert meters_with_tests(folder) == {second.meter_id}
    with pytest.raises(ConfigError, match="are all back"):
        bring_back(folder, planned)
    with pytest.raises(ConfigError, match="no meter is due"):
        bring_back(folder, None, due_tests=True)
