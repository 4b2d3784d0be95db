"""A night is a sweep from the start, whatever it does not do again."""

from __future__ import annotations

import datetime as dt
import gzip
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from demo_data.regenerate import CHECKED_IN
from pipelines.configuration.load_settings import load
from pipelines.stages.assess.assess import assess_bucket
from pipelines.sweep import stages as sweep_stages
from pipelines.sweep.state import SweepOrder
from pipelines.sweep.sweep import run_sweep
from tests.benchmarks.utility import Size, first_of, write_days, write_utility
from tests.pipelines.small_utility import LATER, add_export, published_tables

SIZE = Size(accounts=30, months=4)
BUCKETS = ["00", "01", "02", "03"]


@pytest.fixture
def assessed(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The buckets whose accounts are assessed, in order."""
    seen: list[str] = []

    def counted(workspace, task, *rest):
        seen.append(task.bucket)
        return assess_bucket(workspace, task, *rest)

    monkeypatch.setattr(sweep_stages, "assess_bucket", counted)
    return seen


def night(config: Path, **order: bool) -> None:
    assert run_sweep(load(config), SweepOrder(**order), workers=1).published is not None


def on_full_months(config: Path) -> Path:
    config.write_text(config.read_text() + "decide_on: full_months\n")
    return config


def add_half(config: Path, *, first: bool) -> None:
    """One half of the interval reads of February as an export of its own."""
    header, *rows = gzip.decompress((CHECKED_IN / "exports" / LATER).read_bytes()).splitlines()
    half = rows[: len(rows) // 2] if first else rows[len(rows) // 2 :]
    name = f"reads_2025-02-{1 if first else 2}.csv.gz"
    (config.parent / "exports" / name).write_bytes(gzip.compress(b"\n".join([header, *half])))


def change_fact(config: Path) -> None:
    """Another area for the first account of the meter list."""
    meters = config.parent / "meters.csv"
    header, first, *rest = meters.read_text().splitlines()
    place = header.split(",").index("area")
    facts = first.split(",")
    facts[place] += " East"
    meters.write_text("\n".join([header, ",".join(facts), *rest]) + "\n")


def test_a_new_day_assesses_nobody_on_full_months(
    tmp_path: Path, assessed: list[str], plain: Path
) -> None:
    config = shutil.copytree(plain.parent, tmp_path / "utility") / plain.name
    on_full_months(config)
    add_half(config, first=True)  # a new month: meters are older
    night(config)
    assessed.clear()
    add_half(config, first=False)  # more reads of the month under way
    night(config)
    assert assessed == []
    change_fact(config)
    night(config)
    assert len(assessed) == 1, "one account's fact moves its own bucket alone"
    assessed.clear()
    night(config, full=True)
    assert assessed == BUCKETS


def test_all_reads_are_decided_on_unless_asked_otherwise(
    tmp_path: Path, assessed: list[str], plain: Path
) -> None:
    config = shutil.copytree(plain.parent, tmp_path / "utility") / plain.name
    add_export(config.parent)
    night(config)
    assert assessed == BUCKETS


def test_a_damaged_block_of_the_night_before_is_assessed_again(
    tmp_path: Path, assessed: list[str], plain: Path
) -> None:
    config = shutil.copytree(plain.parent, tmp_path / "utility") / plain.name
    block = next(config.parent.glob("workspace/assess/*/not_assessed/02.parquet"))
    block.write_bytes(block.read_bytes()[:-9])
    night(config, reassess=True)
    assert assessed == ["02"]
    mine, first = published_tables(config), published_tables(plain)
    assert set(first["not_assessed"]) <= set(mine["not_assessed"])


def a_day(config: Path, number: int) -> None:
    begin = first_of(SIZE.months) + dt.timedelta(number)
    write_days(config.parent, SIZE, begin, begin + dt.timedelta(1))


def a_correction(config: Path, number: int) -> None:
    """Some meters' reads of a day of an older month, sent again."""
    rng = np.random.default_rng(number)
    month = dt.datetime.combine(first_of(1 + number % 3), dt.time())
    ends = [month + dt.timedelta(hours=h + 25) for h in range(24)]
    meters = [f"M{n:07d}" for n in rng.choice(SIZE.accounts, 3, replace=False)]
    rows = [(m, e) for m in meters for e in ends]
    table = pa.table(
        {
            "meter": [m for m, _ in rows],
            "interval_end": pa.array([e for _, e in rows], pa.timestamp("s")),
            "gallons": rng.integers(0, 90, len(rows)).astype(float),
            "flag": ["C"] * len(rows),
        }
    )
    pq.write_table(table, config.parent / "exports" / f"correction_{number}.parquet")


def a_fact(config: Path, number: int) -> None:
    change_fact(config)


def a_rate(config: Path, number: int) -> None:
    tariff = config.parent / "tariff.yaml"
    tariff.write_text(tariff.read_text().replace("usd_per_kgal: 5", f"usd_per_kgal: {number}5"))


def a_flipped_byte(config: Path, number: int) -> None:
    """Damage in what the night before left."""
    block = sorted(config.parent.glob("workspace/assess/*/candidate/*.parquet"))[number % 4]
    content = bytearray(block.read_bytes())
    content[len(content) // 2] ^= 1
    block.write_bytes(content)


NIGHTS: dict[str, tuple[tuple[Callable[[Path, int], None], ...], ...]] = {
    "full_months": ((a_correction, a_fact), (a_flipped_byte,), (a_rate,)),
    "all_reads": ((a_correction,), (a_fact, a_flipped_byte), (a_rate,)),
}  # what comes with the new day of each night


@pytest.mark.heavy
@pytest.mark.parametrize(
    "decide_on", [pytest.param("full_months", marks=pytest.mark.heavy_ci), "all_reads"]
)
def test_a_night_publishes_what_a_sweep_from_the_start_would(
    tmp_path: Path, assessed: list[str], decide_on: str
) -> None:
    config = write_utility(
        tmp_path / "nightly",
        SIZE,
        buckets=4,
        site_pages=0,
        more=f"decide_on: {decide_on}",
    )
    night(config)
    for number, steps in enumerate(NIGHTS[decide_on], start=1):
        shutil.rmtree(tmp_path / "anew", ignore_errors=True)
        for step in (a_day, *steps):
            step(config, number)
        shutil.copytree(config.parent, tmp_path / "anew", symlinks=True)
        assessed.clear()
        night(config)
        if decide_on == "full_months" and steps == (a_flipped_byte,):
            assert len(assessed) == 1, "the damaged bucket alone is assessed again"
        night(tmp_path / "anew" / config.name, full=True)
        mine, anew = published_tables(config), published_tables(tmp_path / "anew/sweep.yaml")
        assert mine["recommendation"], "nobody is assessed, so nothing is compared"
        assert [name for name in mine if mine[name] != anew[name]] == []
