"""What a dead process left is removed; what a living or a far one owns stays."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from pipelines.store.leftovers import drop_left, drop_of_the_dead, own_name

PROJECT = Path(__file__).parents[3]
_NAME = "from pipelines.store.leftovers import own_name; print(own_name('bucket'))"


def of_a_dead_process() -> str:
    made = subprocess.run(
        [sys.executable, "-c", _NAME],
        capture_output=True,
        text=True,
        check=True,
        cwd=PROJECT,
        env=os.environ | {"PYTHONPATH": str(PROJECT)},
    )
    return made.stdout.strip()


def test_only_what_the_dead_left_is_removed(tmp_path: Path):
    dead = of_a_dead_process()
    far = dead.replace(".rs-", ".rs-0000beef-").replace("beef-" + dead.split("-")[1], "beef")
    kept = {own_name("bucket"), far, "duckdb_temp_storage-0.tmp"}
    for name in (dead, *kept):
        (tmp_path / name / "inner").mkdir(parents=True)
    drop_of_the_dead(tmp_path)
    assert {p.name for p in tmp_path.iterdir()} == kept


def test_what_nobody_owns_goes_when_it_is_old(tmp_path: Path):
    for name in ("new", "old"):
        (tmp_path / name).write_text("")
    os.utime(tmp_path / "old", (0, 0))
    drop_left(tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["new"]
