"""Run as a program: commands killed (SIGKILL) at random moments, and what they leave behind.

`kill_child.py ROOT COUNT SEED`: COUNT times, copy the swept utility ROOT/base, add an export,
run a command that dies at a moment drawn evenly from its processor time, look at what it left,
then run a sweep to its end. Prints how many died, and every broken promise.

This process never touches polars or DuckDB: their threads do not survive a fork.
"""

from __future__ import annotations

import contextlib
import json
import os
import pickle
import random
import shutil
import signal
import sys
import threading
import time
import traceback
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy.random  # noqa: F401 - imported once here instead of in each child

from pipelines.cli import app
from pipelines.commands import health, program, query, scrub, verify  # noqa: F401
from pipelines.pages import evidence
from pipelines.sweep import sweep  # noqa: F401
from tests.faults.told import GOOD_READS
from tests.pipelines.small_utility import published_tables

assert evidence is not None

COMMANDS: dict[str, tuple[str, ...]] = {
    "sweep": ("--workers", "2"),
    "evidence": ("A-1", "A-2"),
    "program": ("--budget", "1000"),
    "verify": (),
}
OFTEN = ("sweep",) * 7 + ("evidence", "program", "verify")
POLL_S = 0.0005
LOCK = "sweep.lock"
MORE = GOOD_READS.replace(",1,A", ",3,A")


def in_child(work: Callable[[], Any], log: Path) -> tuple[int, Any]:
    """Exit code of `work` in a process of its own, and what it gave back."""
    answer = log.with_suffix(".answer")
    answer.unlink(missing_ok=True)
    child = os.fork()
    if child == 0:
        try:
            with log.open("a") as out:
                os.dup2(out.fileno(), 1)
                os.dup2(out.fileno(), 2)
            answer.write_bytes(pickle.dumps(work()))
        except BaseException:
            traceback.print_exc()
            sys.stderr.flush()
            os._exit(1)
        os._exit(0)
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    return code, pickle.loads(answer.read_bytes()) if answer.is_file() else None


def command(config: Path, name: str, die_at_s: float | None = None) -> tuple[int, float]:
    """Exit code and processor time of a command; dies after so much of it."""
    began = time.process_time()
    if die_at_s is not None:
        threading.Thread(target=_die, args=(began + die_at_s,), daemon=True).start()
    code = 0
    try:
        app([name, str(config), *COMMANDS[name]], standalone_mode=True)
    except SystemExit as ended:
        code = int(ended.code or 0)
    sys.stdout.flush()
    return code, time.process_time() - began


def _die(at_s: float) -> None:
    while time.process_time() < at_s:
        time.sleep(POLL_S)
    os.kill(os.getpid(), signal.SIGKILL)


def leftovers(workspace: Path) -> list[str]:
    """Files and folders of work under way; none may stay."""
    left = list(workspace.rglob(".*"))
    left += workspace.parent.glob("tmp/*")
    for name in ("scratch", "landing"):
        left += list((workspace / name).glob("*"))
    left += sorted((workspace / "assess").glob("*"))[:-1]  # the newest sweep's are kept
    left += list(workspace.glob("*.wal"))
    lock = workspace / LOCK
    if lock.is_file() and lock.read_bytes():
        left.append(lock)
    return [str(p.relative_to(workspace)) for p in left]


def try_once(root: Path, number: int, rng: random.Random, times_s: dict[str, float]) -> dict:
    """One kill and the run after it; what was seen."""
    folder, log = root / f"try-{number}", root / f"try-{number}.log"
    shutil.copytree(root / "base", folder, symlinks=True)
    config = folder / "sweep.yaml"
    (folder / "exports" / "more.csv").write_text(MORE)
    name = rng.choice(OFTEN)
    die_at_s = rng.uniform(0, times_s[name])
    code, _ = in_child(partial(command, config, name, die_at_s), log)
    broken = []
    read, now = in_child(partial(published_tables, config), log)
    wholes = [pickle.loads((root / f"{w}.tables").read_bytes()) for w in ("before", "more")]
    if read != 0 or now not in wholes:
        broken.append("published results are not one of the two publications")
    ended, outcome = in_child(partial(command, config, "sweep"), log)
    if ended != 0 or outcome[0] not in (0, 3):
        broken.append("the next sweep failed")
    _, after = in_child(partial(published_tables, config), log)
    if after != wholes[1]:
        broken.append("the next sweep's results differ from an undisturbed one's")
    left = leftovers(config.parent / "workspace")
    if left:
        broken.append(f"left behind: {left[:5]}")
    if broken:
        broken.append(log.read_text()[-600:])
    else:
        shutil.rmtree(folder)
        for file in (log, log.with_suffix(".answer")):
            file.unlink(missing_ok=True)
    return {"try": number, "command": name, "at_s": round(die_at_s, 3), "code": code,
            "broken": broken}  # fmt: skip


def prepare(root: Path) -> dict[str, float]:
    """The two undisturbed publications, and the processor time of each command."""
    log, times_s = root / "prepare.log", {}
    shutil.copytree(root / "base", root / "more", symlinks=True)
    (root / "more" / "exports" / "more.csv").write_text(MORE)
    for name in COMMANDS:
        code, outcome = in_child(partial(command, root / "more" / "sweep.yaml", name), log)
        assert code == 0, log.read_text()[-2000:]
        assert outcome[0] in (0, 3), log.read_text()[-2000:]
        times_s[name] = outcome[1]
    for which, folder in (("before", "base"), ("more", "more")):
        code, tables = in_child(partial(published_tables, root / folder / "sweep.yaml"), log)
        assert code == 0
        (root / f"{which}.tables").write_bytes(pickle.dumps(tables))
    return times_s


def main(root: Path, count: int, seed: int) -> None:
    rng = random.Random(seed)
    times_s = prepare(root)
    with contextlib.suppress(KeyboardInterrupt):
        tries = [try_once(root, number, rng, times_s) for number in range(count)]
    print(json.dumps({
        "died": sum(t["code"] == -signal.SIGKILL for t in tries),
        "of": count,
        "commands": {n: sum(t["command"] == n for t in tries) for n in COMMANDS},
        "broken": [t for t in tries if t["broken"]],
    }))  # fmt: skip


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
