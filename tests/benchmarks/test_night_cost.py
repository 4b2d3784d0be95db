"""A night of one new day: behind a year against behind a month, and what is carried over.

Run by hand: `python -m pytest -n 0 -m bench -s tests/benchmarks/test_night_cost.py`. Processor
seconds of `rightsize sweep` as a process of its own, its start included. Baselines in the same
run: the same night behind one month; the same night where every account is assessed
(`decide_on: all_reads`). Floor: 1.2 times the night behind one month. `min_days_covered` is
20, so that one month is assessed at all.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import resource
import subprocess
import sys
from pathlib import Path

import pytest

from tests.benchmarks.utility import Size, first_of, write_days, write_utility

ACCOUNTS = int(os.environ.get("RIGHTSIZE_BENCH_METERS", "1000"))
MONTHS = (1, 12)
REPOSITORY = Path(__file__).parents[2]


def _swept(config: Path) -> tuple[float, dict[str, float]]:
    """Processor seconds of a sweep from the shell, and those of its stages."""
    logs = config.parent / "workspace/logs"
    before = sum(len(p.read_text().splitlines()) for p in logs.glob("*.jsonl"))
    spent = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(
        [sys.executable, "-m", "pipelines.cli", "sweep", str(config)],
        check=False,  # some accounts of the generator are not assessed: it says so
        env=os.environ | {"PYTHONPATH": str(REPOSITORY)},
        capture_output=True,
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    lines = [line for p in sorted(logs.glob("*.jsonl")) for line in p.read_text().splitlines()]
    events = [json.loads(line) for line in lines[before:]]
    stages = {e["stage"]: e["processor_s"] for e in events if e["message"] == "stage ends"}
    assert {"publish", "pages"} <= stages.keys(), events[-1]
    return after.ru_utime + after.ru_stime - spent.ru_utime - spent.ru_stime, stages


def _night(folder: Path, months: int, decide_on: str) -> float:
    size = Size(ACCOUNTS, months)
    more = f"decide_on: {decide_on}\nthresholds: thresholds.yaml"
    config = write_utility(folder, size, more=more)
    (folder / "thresholds.yaml").write_text("min_days_covered: 20\n")
    for day in range(2):  # the first night of a month is like no other
        begin = first_of(months) + dt.timedelta(day)
        write_days(folder, size, begin, begin + dt.timedelta(1))
        total, stages = _swept(config)
    told = "  ".join(f"{name} {spent:.1f}" for name, spent in stages.items())
    rest = total - sum(stages.values())
    print(f"\n{decide_on}, behind {months} months: {total:.1f} s ({told}  start {rest:.1f})")
    return total


@pytest.mark.bench
def test_a_night_behind_a_year(tmp_path: Path) -> None:
    took = {
        (decide_on, months): _night(tmp_path / f"{decide_on}{months}", months, decide_on)
        for decide_on in ("all_reads", "full_months")
        for months in MONTHS
    }
    for decide_on in ("all_reads", "full_months"):
        short, long = (took[decide_on, months] for months in MONTHS)
        print(f"{decide_on}: {long / short:.2f} times the night behind one month")
    ratio = took["full_months", MONTHS[1]] / took["all_reads", MONTHS[1]]
    print(f"full_months: {ratio:.2f} times the night of all_reads behind {MONTHS[1]} months")
