"""`kill -9` while a campaign, its papers and a test program are written: each file is whole.

`RIGHTSIZE_KILLS` sets how many kills the long run makes, in all.
"""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.pipelines.pages.evidence_fleet import make_fleet

REPOSITORY = Path(__file__).parents[3]
LONG = int(os.environ.get("RIGHTSIZE_KILLS", "24"))
SEED = int(os.environ.get("RIGHTSIZE_KILL_SEED", "1"))
COMMANDS = {
    "campaign": ("--loggers", "3", "--weeks", "4", "--budget", "5000", "--start", "2026-04-01"),
    "work-orders": (),
    "test-program": (),
}
# Dies when a file is about to be put in place, or at a moment of its own.
CHILD = """
import os, signal, sys, threading, time
place, after_s, words = int(sys.argv[1]), float(sys.argv[2]), sys.argv[3:]
from pipelines.cli import main
real, seen = os.replace, []
def replace(*names):
    seen.append(names)
    if len(seen) == place:
        os.kill(os.getpid(), signal.SIGKILL)
    real(*names)
def die():
    time.sleep(after_s)
    os.kill(os.getpid(), signal.SIGKILL)
os.replace = replace
if after_s:
    threading.Thread(target=die, daemon=True).start()
sys.argv = ["rightsize", *words]
main()
"""


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A published fleet, and a plan of visits that its papers are made of."""
    root = tmp_path_factory.mktemp("fleet")
    make_fleet(root)
    (root / "meters.csv").write_text(
        "account_id,meter_id,meter_type,size_in,installed_on\nA000008,M000008,displacement,1,2010-01-01\n"
    )
    assert run("campaign", root / "sweep.yaml", root / "plan") == 0
    return root


def run(name: str, config: Path, to: Path, *, place: int = 0, after_s: float = 0.0) -> int:
    """Exit code of a command in a process of its own."""
    more = ("--visits", config.parent / "plan" / "visits.csv") if name == "work-orders" else ()
    words = (name, config, *COMMANDS[name], *more, "--to", to)
    ended = subprocess.run(
        [sys.executable, "-c", CHILD, str(place), str(after_s), *map(str, words)],
        cwd=REPOSITORY,
        capture_output=True,
        timeout=300,
        check=False,
    )
    assert ended.returncode in (0, -9), ended.stderr.decode()[-600:]
    return ended.returncode


def files(folder: Path) -> dict[str, bytes]:
    """Files by name, those of work under way too."""
    found = (p for p in folder.rglob("*") if p.is_file())
    return {str(p.relative_to(folder)): p.read_bytes() for p in found}


@pytest.mark.heavy
@pytest.mark.parametrize("name", COMMANDS)
def test_a_killed_command_leaves_whole_files_and_the_next_run_the_rest(
    fleet: Path, tmp_path: Path, name: str
):
    rng = random.Random(f"{name} {SEED}")
    began = time.monotonic()
    assert run(name, fleet / "sweep.yaml", tmp_path / "whole") == 0
    took_s = time.monotonic() - began
    whole, died = files(tmp_path / "whole"), 0
    for number in range(max(LONG // len(COMMANDS), 1)):
        folder = tmp_path / "killed"
        place = rng.randrange(1, len(whole) + 1) if number % 2 else 0
        after_s = 0.0 if place else rng.uniform(took_s / 2, took_s)
        died += run(name, fleet / "sweep.yaml", folder, place=place, after_s=after_s) == -9
        left = files(folder) if folder.is_dir() else {}
        shown = {n: c for n, c in left.items() if not Path(n).name.startswith(".")}
        assert shown.items() <= whole.items(), "each file is whole"
        assert run(name, fleet / "sweep.yaml", folder) == 0
        assert files(folder) == whole, "nothing is left behind, and nothing is missing"
        shutil.rmtree(folder)
    print(f"{name}: {died} kills, {len(whole)} files")
    assert died
