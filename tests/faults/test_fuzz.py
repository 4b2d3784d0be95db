"""Files made by rule: none ends in a traceback or hangs, rows balance, good files land.

`RIGHTSIZE_FUZZ_CASES` sets how many of each kind the long run makes, `RIGHTSIZE_FUZZ_SEED`
where it starts; a failure names the seed of its file.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType

import pytest
import yaml

from pipelines.configuration.fleet import load_fleet
from pipelines.configuration.load_settings import load
from pipelines.configuration.visits_file import read_visits
from pipelines.stages.land.land import land
from pipelines.stages.land.land_flow_logs import land_flow_logs, landed_logs
from pipelines.store.resources import config_path
from rightsize.errors import ConfigError
from tests.faults.grammar import READERS, flow_log, mutated, with_rows, yaml_text
from tests.faults.told import GOOD_LOG, settings, small_utility
from tests.pipelines.exports import HEADER, METERS, TARIFF, Utility
from tests.pipelines.sources.espi_feed import (
    Reading,
    block,
    feed,
    meter_reading,
    reading_type,
    usage_point,
)

QUICK_FILES = 200  # of each of 6 readers in .ci/run: with the texts, 2,200 cases
QUICK_TEXTS = 100  # of each of 10 files of a configuration
FILES_AT_ONCE = 40
LONGEST_S = 10  # of processor time, for a file of some kilobytes
PATIENCE_S = 300  # for what waits and never ends; a crowded machine takes its time
UNFORESEEN = {
    "OverflowError", "ValueError", "TypeError", "KeyError", "IndexError", "AttributeError",
    "AssertionError", "RecursionError", "UnicodeDecodeError", "UnicodeEncodeError",
    "ZeroDivisionError", "UnicodeError", "NameError", "StopIteration", "MemoryError",
}  # fmt: skip
GOOD = {
    "interval": HEADER + "M2,2025-06-01 01:00,1,A\n",
    "register": "meter_id,read_at,reading\nM4,2025-06-01 01:00,1\nM4,2025-06-02 01:00,2\n",
    "wide": "meter_id,date," + ",".join(f"h{k}" for k in range(1, 25)) + "\nM2,2025-06-02"
    + ",1" * 24 + "\n",
    "espi": feed(
        usage_point("M2"), meter_reading("M2", "T"), reading_type("T"),
        block("M2", 1748736000, [Reading(1, 1748736000)]),
    ),
}  # fmt: skip
LONG = int(os.environ.get("RIGHTSIZE_FUZZ_CASES", "2000"))
FIRST_SEED = int(os.environ.get("RIGHTSIZE_FUZZ_SEED", "1"))


@contextmanager
def within(seconds: float, what: str) -> Iterator[None]:
    """Fail, rather than wait, where something does not end, or works for too long."""

    def late(number: int, frame: FrameType | None) -> None:
        raise AssertionError(f"{what} took longer than {seconds} s")

    clocks = (
        (signal.SIGPROF, signal.ITIMER_PROF, seconds),
        (signal.SIGALRM, signal.ITIMER_REAL, seconds + PATIENCE_S),
    )
    held = [signal.signal(number, late) for number, _, _ in clocks]
    for _, clock, limit in clocks:
        signal.setitimer(clock, limit)
    try:
        yield
    finally:
        for (number, clock, _), handler in zip(clocks, held, strict=True):
            signal.setitimer(clock, 0)
            signal.signal(number, handler)


def land_batch(folder: Path, kind: str, seeds: range) -> None:
    """Land one folder of odd files and a good one; hold every file to the promise."""
    layout, ending, make = READERS[kind]
    utility = Utility(folder, {"layout": layout})
    for seed in seeds:
        rng = random.Random(f"{kind} {seed}")
        utility.folder.joinpath("exports", f"{seed:07d}.{ending}").write_bytes(
            mutated(rng, make(rng))
        )
    utility.folder.joinpath(
        "exports", f"good.{'xml' if layout == 'espi' else 'csv'}"
    ).write_text(GOOD[layout])
    with within(LONGEST_S * len(seeds), f"{kind} {seeds}"):
        summary = land(utility.loaded, utility.workspace)
    good = [f for f in summary.files if f.path.stem == "good"]
    assert [f.rows_rejected for f in good] == [0]
    assert good[0].rows_accepted >= 1
    for file in summary.files:
        assert file.rows_landed == file.rows_accepted + file.rows_rejected, file.path.name
        assert file.gal_landed == pytest.approx(
            file.gal_accepted + file.gal_rejected, rel=1e-9, abs=1e-6
        ), file.path.name
    for problem in summary.problems:
        assert problem.path.name in problem.message
        told = problem.message.partition("cannot be read: ")[2]
        head = told.partition(": ")[0]
        assert head not in UNFORESEEN, (kind, problem.message)
    accepted = sum(f.rows_accepted for f in summary.files)
    lake = utility.lake("register" if layout == "register" else "interval")
    if kind != "espi":  # a feed decides its lake by itself
        assert len(lake) == accepted
    assert len(utility.rejected()) == sum(f.rows_rejected for f in summary.files)


def land_logs(folder: Path, seeds: range) -> None:
    """Land one folder of odd logs and a good one; hold every log to the promise."""
    config = small_utility(folder, flow_logs={"path": "logs/*"})
    (folder / "logs").mkdir()
    for seed in seeds:
        rng = random.Random(f"log {seed}")
        (folder / "logs" / f"{seed:07d}.csv").write_bytes(mutated(rng, flow_log(rng)))
    (folder / "logs" / "good.csv").write_text(GOOD_LOG)
    loaded = load(config)
    with within(LONGEST_S * len(seeds), f"log {seeds}"):
        found = land_flow_logs(loaded, loaded.workspace)
    assert found.landed + len(found.problems) + found.known == len(seeds) + 1
    rows = landed_logs(loaded.workspace).to_dicts()
    assert "good.csv" in {Path(row["path"]).name for row in rows}
    for row in rows:
        parts = row["rows_accepted"] + row["rows_rejected"]
        assert row["rows_landed"] == parts, row["path"]
    for problem in found.problems:
        assert problem.path.name in problem.message
        assert len(problem.message) < 1000


def test_the_grammar_makes_a_log_of_every_seed() -> None:
    rngs = [random.Random(f"log {seed}") for seed in (501_002_212, *range(2000))]
    assert all(isinstance(mutated(rng, flow_log(rng)), bytes) for rng in rngs)


@pytest.mark.heavy
@pytest.mark.heavy_ci
def test_odd_logs(tmp_path: Path) -> None:
    for first in range(0, QUICK_FILES, FILES_AT_ONCE):
        land_logs(tmp_path / str(first), range(first, first + FILES_AT_ONCE))


@pytest.mark.heavy
def test_many_odd_logs(tmp_path: Path) -> None:
    start = FIRST_SEED * 10**6
    for first in range(start, start + LONG, FILES_AT_ONCE):
        land_logs(tmp_path / str(first), range(first, first + FILES_AT_ONCE))
        shutil.rmtree(tmp_path / str(first))


def land_many(folder: Path, kind: str, seeds: range) -> None:
    for first in range(seeds.start, seeds.stop, FILES_AT_ONCE):
        batch = range(first, min(first + FILES_AT_ONCE, seeds.stop))
        land_batch(folder / str(first), kind, batch)


@pytest.mark.heavy
@pytest.mark.heavy_ci
@pytest.mark.parametrize("kind", READERS)
def test_odd_files(tmp_path: Path, kind: str) -> None:
    land_many(tmp_path, kind, range(QUICK_FILES))


@pytest.mark.heavy
@pytest.mark.parametrize("kind", READERS)
def test_many_odd_files(tmp_path: Path, kind: str) -> None:
    land_many(tmp_path, kind, range(FIRST_SEED * 10**6, FIRST_SEED * 10**6 + LONG))


def texts() -> dict[str, str]:
    """A good text of every file of a configuration."""
    named = {
        **settings(), "meters": "meters.csv", "tariff": "tariff.yaml",
        "catalogue": "catalogue.yaml", "priors": "priors.yaml",
        "wear": {"displacement": {"low_flow_loss_pct_per_year": [0, 1, 2],
                                  "normal_loss_pct_per_year": [0, 0.1, 0.2], "source": "test"}},
        "class_codes": {"X": "office"},
        "flow_logs": {"path": "logs/*", "columns": {"at": "Time", "flow": "Q"},
                      "flow_unit": "L/s", "key_names": {"meter_id": "Serial"},
                      "pulse_gal": 1, "measures": "pipe",
                      "error_pct": 2, "stamp": "end", "timezone": "UTC", "delimiter": ";",
                      "time_format": "%d.%m.%Y %H:%M:%S", "encoding": "latin-1"},
        "meter_tests": {"rule": "handbook_44"},
        "accuracy_tests": "tests.csv",
        "change_out_log": {"path": "jobs.csv"},
        "weather": "weather.csv",
    }  # fmt: skip
    return {
        "sweep.yaml": yaml.safe_dump(named, sort_keys=False),
        "tariff.yaml": TARIFF + "fixed_charge_usd_per_month: {1: 10, 2: 20}\n",
        "thresholds.yaml": "odds_of_benefit: 0.8\nstock_list: [displacement 1]\n"
        "min_days_covered: 90\nspare_head_psi: 20\n",
        "catalogue.yaml": "".join(
            config_path("catalogue.yaml").read_text().split("\n- ")[0]
            + "\n- "
            + "\n- ".join(config_path("catalogue.yaml").read_text().split("\n- ")[1:4])
            + "\n"
        ),
        "priors.yaml": config_path("class_priors.yaml").read_text(),
        "meters.csv": METERS,
        "tests.csv": "meter_id,meter_type,size_in,age_years,flow_gpm,registered_pct\n"
        "M1,displacement,1,10,5,99\nM2,displacement,1,12,0.25,80\n",
        "jobs.csv": "done_on,account_id,meter_id,what,new_meter_id\n"
        "2025-03-12,A-1,M1,changed,M2\n",
        "weather.csv": "month,mean_f\n2025-01,40\n2025-02,45\n",
        "visits.csv": "account_id,meter_id,kind,week_start_on,area,crew,logger_count,"
        "duration_days,expected_gain_usd,cost_usd,net_usd,reason\n"
        "A-1,M1,flow_logging,2026-02-02,Old Town,1,1,14,900,150,750,odds\n",
    }


def refuse_or_load(config: Path) -> None:
    """A configuration loads, or is refused in lines that name a file."""
    try:
        loaded = load(config)
        fleet = load_fleet(loaded)
        read_visits(config.with_name("visits.csv"))
    except ConfigError as error:
        message = str(error)
        assert message.strip()
    else:
        json.dumps(fleet.documents, default=str, allow_nan=True)


def try_texts(folder: Path, name: str, seeds: range) -> None:
    config = small_utility(folder / "utility")
    held = texts()
    for other, text in held.items():
        (folder / "utility" / other).write_text(text)
    load_fleet(load(config))  # the good texts load
    for seed in seeds:
        rng = random.Random(f"{name} {seed}")
        text = (
            with_rows(held[name], rng) if name.endswith(".csv") else yaml_text(rng, held[name])
        )
        (folder / "utility" / name).write_bytes(text)
        with within(LONGEST_S, f"{name} {seed}"):
            try:
                refuse_or_load(config)
            except Exception as error:
                raise AssertionError(
                    f"{name} seed {seed}: {type(error).__name__}: {error}"
                ) from error


@pytest.mark.heavy
@pytest.mark.heavy_ci
@pytest.mark.parametrize("name", texts())
def test_odd_configurations(tmp_path: Path, name: str) -> None:
    try_texts(tmp_path, name, range(QUICK_TEXTS))


@pytest.mark.heavy
@pytest.mark.parametrize("name", texts())
def test_many_odd_configurations(tmp_path: Path, name: str) -> None:
    try_texts(tmp_path, name, range(FIRST_SEED * 10**6, FIRST_SEED * 10**6 + LONG))
