"""Accuracy tests that come back to the demo: the planted meters, as a bench would show them."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from pathlib import Path
from typing import Final

import numpy as np

from pipelines.configuration.load_catalogue import load_service_rules
from pipelines.demo.account import World, drawn_by
from pipelines.demo.back.planted_world import world_of
from pipelines.demo.fleet import Plan
from pipelines.demo.head_end import Service
from pipelines.demo.services import services_of
from pipelines.store.storage import write_text
from pipelines.store.warehouse import connect
from rightsize.meter_tests.limits import flows_to_test
from rightsize.meters.curve import registration_ratio
from rightsize.meters.testing_settings import MeterTestSettings
from rightsize.units.plain_number import plain_number

TESTS: Final = "accuracy_tests.csv"
_COLUMNS: Final = (
    "meter_id", "meter_type", "size_in", "age_years", "flow_gpm", "registered_pct", "tested_on",
)  # fmt: skip
_NAMED_BEFORE: Final = "meters: meters.csv"  # line of sweep.yaml
ERROR_SD: Final = 0.003  # [1] of registration at each flow of a test: common practice
_SPAN_DAYS_PER_YEAR: Final = 365.25


def meters_with_tests(folder: Path) -> set[str]:
    """Meters that the demo's file of tests holds already."""
    path = folder / TESTS
    if not path.is_file():
        return set()
    with path.open(encoding="utf-8", newline="") as file:
        return {row["meter_id"] for row in csv.DictReader(file)}


def due_meters(folder: Path) -> set[str]:
    """Meters that the newest sweep draws for the sample of a lot, or calls due if larger.

    A lot speaks for its meters by those drawn alone, so no other of its meters is tested.
    """
    results = folder / "workspace" / "published" / "results.duckdb"
    if not results.is_file():
        return set()
    with connect(results, read_only=True) as connection:
        rows = connection.execute(
            "select meter_id from results.meter_test_due"
            " where (draw_order is not null or (due_by != '' and size_in > ?)) and sweep_id ="
            " (select max(sweep_id) from results.meter_test_due)",
            [MeterTestSettings.model_validate({}).lot_max_in],
        ).fetchall()
    return {meter for (meter,) in rows}


def write_tests(folder: Path, meters: Iterable[str]) -> list[str]:
    """Tests of some of the demo's meters, added to its file and configuration.

    Returns
    -------
    list of str
        Meters tested: none that the catalog does not rate, such as a fire line, and none that
        was tested before.
    """
    world, plans = world_of(folder)
    wanted = set(meters) - meters_with_tests(folder)
    lines, done = [], []
    for plan in plans:
        if plan.meter_id in wanted and (rows := _test(plan, world)):
            lines += rows
            done.append(plan.meter_id)
    if lines:
        path = folder / TESTS
        held = path.read_text(encoding="utf-8") if path.is_file() else _HEAD
        write_text(path, held + "\n".join(lines) + "\n")
        name_in_settings(folder / "sweep.yaml", "accuracy_tests", TESTS)
    return done


def name_in_settings(config: Path, key: str, file: str) -> None:
    """The demo's own configuration names a file once it is there."""
    text = config.read_text(encoding="utf-8")
    if f"\n{key}:" not in text:
        named = f"{key}: {file}\n{_NAMED_BEFORE}"
        write_text(config, text.replace(_NAMED_BEFORE, named, 1))


_HEAD: Final = ",".join(_COLUMNS) + "\n"


def _test(plan: Plan, world: World) -> list[str]:
    """Rows of one test on the last day of the span: registration at each test flow."""
    drawn = drawn_by(plan, world)
    services, _ = services_of(plan, drawn.meter, world.calendar, drawn.rng)
    service = services[-1]
    meter = service.meter
    if not any(meter is known for known in world.catalogue.meters):
        return []
    rule = load_service_rules().of(MeterTestSettings.model_validate({}).rule)
    rng = np.random.default_rng([world.seed, 4, plan.index])
    end_s = world.calendar.span_s - 1
    years = (end_s - service.from_s) / 86_400 / _SPAN_DAYS_PER_YEAR
    age = years if service.from_s else meter.life_years / 2  # not recorded: half of its life
    left = _left_share(service, world)
    rows = []
    for _, flow_gpm in flows_to_test(meter, rule):
        ratio = float(registration_ratio(np.array([flow_gpm]), meter)[0]) * left
        shown = max(100 * ratio * (1 + ERROR_SD * rng.standard_normal()), 0.0)
        rows.append(
            f"{service.meter_id},{meter.meter_type},{meter.size_in:g},{age:.2f},"
            f"{plain_number(flow_gpm, 4)},{shown:.2f},{world.calendar.date_of(end_s)}"
        )
    return rows


def _left_share(service: Service, world: World) -> float:
    """What is left of the registration of a new meter at the end of the span."""
    if service.stopped_s is not None:
        return 0.0
    months = int(world.calendar.month[-1])
    return float((1 - service.slowed_by_month) ** months) * (1 - service.lost_share)
