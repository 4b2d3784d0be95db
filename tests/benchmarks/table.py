"""What the work costs, each row beside its baseline in the same run.

`python -m tests.benchmarks.table --accounts 4000 --months 4` prints the table; `--rows land`
prints the rows whose names hold that word. Every row runs in a process of its own, so its
processor time and memory are its own; the clock depends on what else the machine does, the
processor time little, ratios least. Reads are those of `tests.benchmarks.utility`.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import os
import platform
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tests.benchmarks.utility import Size, first_of, write_days, write_utility

ROOT: Final = Path(__file__).resolve().parents[2]
_PYTHON: Final = (sys.executable, "-c")
_CLI: Final = (sys.executable, "-m", "pipelines.cli")
_PROFILE: Final = """
import sys
from pathlib import Path
from tests.benchmarks.test_profile_speed import CASES, seconds_of
print(*seconds_of(Path(sys.argv[1]), CASES[sys.argv[2]], int(sys.argv[3])))
"""
_LAND: Final = """
import sys, time
from pathlib import Path
from pipelines.configuration.load_settings import load
from pipelines.stages.land.land import land
from pipelines.stages.validate.checks import load_ahead
from pipelines.stages.validate.validate import validate
from pipelines.store.workspace import Workspace
loaded = load(Path(sys.argv[1]))
workspace = Workspace(loaded.workspace_root)
spent = [time.process_time()]
landed = land(loaded, workspace, ahead=load_ahead)
spent.append(time.process_time())
validate(loaded, workspace, landed)
spent.append(time.process_time())
print(spent[0], spent[1] - spent[0], spent[2] - spent[1])
"""
_COPY: Final = """
import sys, duckdb
duckdb.execute(f"copy (from '{sys.argv[1]}') to '{sys.argv[2]}' (format parquet)")
"""
_CHOOSE: Final = """
import pipelines  # before numpy: one thread of linear algebra, as in a sweep
from tests.benchmarks.test_inference_speed import seconds_of_inference
from tests.benchmarks.test_recommend_speed import seconds_of_choice
print(seconds_of_inference(2000), seconds_of_choice(4000))
"""


@dataclass(frozen=True)
class Cost:
    """What a process took [s by the clock, s of processor, MB], and its last line."""

    clock_s: float
    processor_s: float
    peak_mb: float
    said: str


def cost_of(*command: str | Path) -> Cost:
    """Run a command and measure it."""
    began = time.monotonic()
    with subprocess.Popen(
        [str(word) for word in command],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        text=True,
    ) as child:
        printed = child.stdout.read() if child.stdout else ""
        _, status, used = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise SystemExit(f"{' '.join(map(str, command))[:200]}: exit {child.returncode}")
    return Cost(
        time.monotonic() - began,
        used.ru_utime + used.ru_stime,
        used.ru_maxrss / 1024,
        printed.strip().splitlines()[-1] if printed.strip() else "",
    )


def show(work: str, floor: str, found: str, made: Cost | None = None) -> None:
    """One row of the table."""
    spent = (
        "-"
        if made is None
        else f"{made.clock_s:.1f} s, {made.processor_s:.1f} s, {made.peak_mb:,.0f} MB"
    )
    print(f"| {work} | {floor} | {found} | {spent} |", flush=True)


def profile_rows(scratch: Path, size: Size) -> None:
    """The profile of one partition against the bare statements."""
    reads = min(size.accounts * 744, 2_300_000)
    for case, floor in (
        ("hourly", "2"),
        ("15 min", "2"),
        ("hourly, 2 % contested", "5"),
        ("register, hourly", "5"),
        ("register, hourly, 2 % contested", "5"),
    ):
        made = cost_of(*_PYTHON, _PROFILE, scratch, case, str(reads))
        bare_s, profile_s = map(float, made.said.split())
        show(
            f"profile, {case}, {reads / 1e6:.1f} M reads",
            f"<= {floor} x",
            f"{profile_s / bare_s:.2f} x: {profile_s:.2f} s and {bare_s:.2f} s of processor",
        )


def land_rows(scratch: Path, size: Size) -> None:
    """Landing a month of reads, and looking at it, against a bare copy of the file."""
    for form, floor, name in (("csv", "1.7", "CSV"), ("parquet", "2", "Parquet")):
        folder = scratch / f"land-{form}"
        one = Size(size.accounts, 1, size.minutes, form, size.seed)
        config = write_utility(folder, one)
        (export,) = (folder / "exports").iterdir()
        bare = cost_of(*_PYTHON, _COPY, export, folder / "bare.parquet")
        made = cost_of(*_PYTHON, _LAND, config)
        start_s, land_s, validate_s = map(float, made.said.split())
        show(
            f"land and validate {name}, {size.accounts * 744 * 60 / size.minutes / 1e6:.1f} M "
            f"reads, {export.stat().st_size / 1e6:,.0f} MB",
            f"<= {floor} x",
            f"{made.clock_s / bare.clock_s:.2f} x ({made.processor_s / bare.processor_s:.2f} x"
            f" of processor): bare copy {bare.clock_s:.1f} s, {bare.processor_s:.1f} s; "
            f"start {start_s:.1f} s, land {land_s:.1f} s, validate {validate_s:.1f} s",
            made,
        )
        shutil.rmtree(folder)


def choice_rows(scratch: Path, size: Size) -> None:
    """Inference and choice, scaled from fewer accounts."""
    made = cost_of(*_PYTHON, _CHOOSE)
    infer_s, choose_s = map(float, made.said.split())
    scaled = infer_s * 100_000 / 2000 + choose_s * 100_000 / 4000
    show(
        "inference and choice, 100,000 accounts x 40 meters, scaled from 2,000 and 4,000",
        "<= 75 s",
        f"{scaled:.0f} s of one processor: {infer_s * 50:.0f} s and {choose_s * 25:.0f} s",
        made,
    )


def sweep_rows(scratch: Path, size: Size) -> None:
    """A first sweep, one with `--full`, a night, and the question for the results."""
    config = write_utility(scratch / "utility", size)
    first = cost_of(*_CLI, "sweep", config)
    reads = f"{size.accounts * size.months * 730 * 60 / size.minutes / 1e6:.0f} M reads"
    of_size = f"{size.accounts:,} accounts, {reads}"
    show(f"first sweep, {of_size}", "-", "-", first)
    full = cost_of(*_CLI, "sweep", "--full", config)
    by_reads = 876e6 / (size.accounts * size.months * 730 * 60 / size.minutes)
    show(
        f"whole sweep `--full`, {of_size}",
        "<= 8 min for 876 M",
        f"by reads, 876 M: {full.clock_s * by_reads / 60:.1f} min, "
        f"{full.processor_s * by_reads / 60:.1f} min of processor",
        full,
    )
    _show_stages(config, "")
    day = first_of(size.months)
    write_days(config.parent, size, day, day + dt.timedelta(days=1))
    show(f"night, {of_size}", "<= 25 s", "-", cost_of(*_CLI, "sweep", config))
    _show_stages(config, "night: ")
    asked = min((cost_of(*_CLI, "query", config, "select 1") for _ in range(3)), key=_clock)
    show("`rightsize query`", "<= 0.6 s", f"{asked.clock_s:.2f} s", asked)
    shutil.rmtree(config.parent)


def _clock(cost: Cost) -> float:
    return cost.clock_s


def _show_stages(config: Path, prefix: str) -> None:
    """Stages of the last sweep from its log."""
    log = max((config.parent / "workspace" / "logs").glob("*.jsonl"))
    events = [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()]
    for found in events:
        if found["message"] == "stage ends" and found["sweep"] == events[-1]["sweep"]:
            cost = Cost(found["duration_s"], found["processor_s"], found["peak_mb"], "")
            floor = "<= 1.5 s" if found["stage"] == "pages" else "-"
            show(f"{prefix}stage {found['stage']}", floor, "-", cost)


def demo_rows(scratch: Path, size: Size) -> None:
    """The two commands of README."""
    demo = cost_of(*_CLI, "demo", scratch / "demo")
    swept = cost_of(*_CLI, "sweep", scratch / "demo" / "sweep.yaml")
    both = demo.clock_s + swept.clock_s
    show("demo", "-", "-", demo)
    show("sweep of the demo", "-", "-", swept)
    show("demo and sweep", "<= 30 s", f"{both:.1f} s")


def installed_rows(scratch: Path, size: Size) -> None:
    """What is installed beside this program."""
    from tests.benchmarks.installed import sizes_mb

    sizes = sizes_mb()
    show("installation", "measured", f"{sum(sizes.values()):,.0f} MB, {len(sizes)} packages")


ROWS: Final[dict[str, Callable[[Path, Size], None]]] = {
    "profile": profile_rows,
    "land": land_rows,
    "choice": choice_rows,
    "sweep": sweep_rows,
    "demo": demo_rows,
    "installation": installed_rows,
}


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--accounts", type=int, default=4000)
    parser.add_argument("--months", type=int, default=4)
    parser.add_argument("--minutes", type=int, default=60, choices=(5, 15, 30, 60))
    parser.add_argument("--rows", default="", help=", ".join(ROWS))
    parser.add_argument("--scratch", type=Path, default=Path(tempfile.gettempdir()))
    asked = parser.parse_args()
    size = Size(asked.accounts, asked.months, asked.minutes)
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}, "
        f"Python {platform.python_version()}, {dt.datetime.now(dt.UTC):%Y-%m-%d %H:%M} UTC\n"
    )
    print("| work | floor | found | by the clock, of processor, memory |\n|---|---|---|---|")
    for name, rows in ROWS.items():
        if name in asked.rows.split(",") or not asked.rows:
            with tempfile.TemporaryDirectory(dir=asked.scratch, prefix="bench-") as scratch:
                rows(Path(scratch), size)


if __name__ == "__main__":
    main()
