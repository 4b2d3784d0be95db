"""Runs the tests of an area on mutants of its sources, and tells which of them none noticed.

    python -m tests.mutation.run choice --sample 30 --seed 1 --log mutants.jsonl
    python -m tests.mutation.run choice --again mutants.jsonl       # those that none noticed

The mutants, drawn by the seed, are made in a copy of the repository, one at a time. A mutant
counts as noticed if the tests fail, or take longer than five times what they take on the sound
sources and two minutes on top. The test file of the source's own name runs first; with --quick
only that one and those that the area names as nearest, so that a survivor may still be noticed
by others.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tests.mutation.areas import AREAS, Area
from tests.mutation.mutants import Mutant, python_mutants, sql_mutants

ROOT: Final = Path(__file__).resolve().parents[2]
_QUICK_LIMIT_S: Final = 600.0
COPIED: Final = ("rightsize", "pipelines", "sql", "config", "tests", "demo_data")


@dataclass(frozen=True)
class Drawn:
    """A mutant and its file, relative to the repository."""

    file: str
    mutant: Mutant


def all_mutants(area: Area) -> list[Drawn]:
    """Every mutant of an area's sources, in a fixed order."""
    found = []
    for pattern in area.sources:
        for path in sorted(ROOT.glob(pattern)):
            source = path.read_text(encoding="utf-8")
            makes = sql_mutants if path.suffix == ".sql" else python_mutants
            found += [Drawn(str(path.relative_to(ROOT)), m) for m in makes(source)]
    return found


def copied(to: Path) -> Path:
    """The repository's sources and tests in a folder of their own."""
    for name in COPIED:
        shutil.copytree(
            ROOT / name, to / name, ignore=shutil.ignore_patterns("__pycache__", "workspace")
        )
    for name in ("pyproject.toml", "README.md", "DEVELOPERS.md"):
        shutil.copy(ROOT / name, to / name)
    return to


def failure(copy: Path, tests: tuple[str, ...], limit_s: float) -> str | None:
    """The first test that fails on the copy, or None if all pass."""
    shutil.rmtree(copy / ".hypothesis", ignore_errors=True)
    command = (sys.executable, "-m", "pytest", "-q", "-x", "-n", "0", "-p", "no:cacheprovider")
    try:
        ended = subprocess.run(
            (*command, "--hypothesis-seed=0", *tests),
            cwd=copy,
            env={**os.environ, "PYTHONPATH": str(copy), "PYTHONDONTWRITEBYTECODE": "1"},
            capture_output=True,
            text=True,
            timeout=limit_s,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return "took too long"
    if ended.returncode == 0:
        return None
    told = [x for x in ended.stdout.splitlines() if x.startswith(("FAILED", "ERROR"))]
    return told[0][:160] if told else f"exit {ended.returncode}: {ended.stderr[-160:]}"


def survivors_in(log: Path, drawn: list[Drawn]) -> list[Drawn]:
    """The mutants that none noticed when the log was written."""
    entries = map(json.loads, log.read_text(encoding="utf-8").splitlines())
    lived = {(e["file"], e["change"]) for e in entries if e["why"] is None}
    return [one for one in drawn if (one.file, one.mutant.what) in lived]


def run(
    area_name: str,
    *,
    sample: int,
    seed: int,
    log: Path | None,
    again: Path | None = None,
    is_quick: bool = False,
) -> int:
    """Draw, try and report; returns how many mutants none noticed."""
    area = AREAS[area_name]
    drawn = all_mutants(area)
    chosen = random.Random(seed).sample(drawn, min(sample, len(drawn)))
    if again:
        chosen = survivors_in(again, drawn)
    survivors: list[Drawn] = []
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        copy = copied(Path(folder))
        began = time.monotonic()
        if not is_quick and (unsound := failure(copy, area.tests, 3600)):
            raise SystemExit(f"{area_name}: the tests fail without a mutant: {unsound}")
        limit_s = _QUICK_LIMIT_S if is_quick else 5 * (time.monotonic() - began) + 120
        for one in chosen:
            why = _tried(copy, one, area, limit_s, is_quick=is_quick)
            if why is None:
                survivors.append(one)
            entry = {"area": area_name, "file": one.file, "change": one.mutant.what, "why": why}
            print(json.dumps(entry), flush=True)
            if log:
                with log.open("a", encoding="utf-8") as out:
                    out.write(json.dumps(entry) + "\n")
    share = 1 - len(survivors) / max(len(chosen), 1)
    which = "those that none noticed before" if again else f"seed {seed}"
    print(
        f"{area_name}: {len(chosen)} of {len(drawn)} mutants ({which}), "
        f"{len(chosen) - len(survivors)} noticed ({share:.0%})"
    )
    return len(survivors)


def _tried(copy: Path, one: Drawn, area: Area, limit_s: float, *, is_quick: bool) -> str | None:
    target = copy / one.file
    sound = target.read_text(encoding="utf-8")
    target.write_text(one.mutant.text, encoding="utf-8")
    own = [str(p.relative_to(copy)) for p in copy.glob(f"tests/**/test_{target.stem}.py")]
    near = tuple(dict.fromkeys((*own, *area.nearest_to(target.stem))))
    try:
        why = failure(copy, near, limit_s) if near else None
        return why if why or is_quick else failure(copy, area.tests, limit_s)
    finally:
        target.write_text(sound, encoding="utf-8")


def main() -> None:
    """The command line."""
    said = argparse.ArgumentParser(description=__doc__)
    said.add_argument("area", choices=sorted(AREAS))
    said.add_argument("--sample", type=int, default=25)
    said.add_argument("--seed", type=int, default=1)
    said.add_argument("--log", type=Path)
    said.add_argument("--again", type=Path, help="a log: try what none noticed then")
    said.add_argument("--quick", action="store_true", help="only the nearest tests")
    asked = said.parse_args()
    run(
        asked.area,
        sample=asked.sample,
        seed=asked.seed,
        log=asked.log,
        again=asked.again,
        is_quick=asked.quick,
    )


if __name__ == "__main__":
    main()
