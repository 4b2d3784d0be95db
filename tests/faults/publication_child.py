"""Run as a program: publish while readers look, or die at a chosen moment of publication.

`publication_child.py loop ROOT COUNT`: publish COUNT sweeps, one after the other.
`publication_child.py read ROOT`: read until ROOT/stop exists; prints its errors and rounds.
`publication_child.py kill ROOT STRIDE`: publish a sweep again and again, each time killed
(SIGKILL) STRIDE steps later, until one run lives to the end; prints how many died.
"""

from __future__ import annotations

import itertools
import json
import os
import shutil
import signal
import sys
import traceback
from collections.abc import Callable
from functools import partial
from pathlib import Path

import duckdb
import polars as pl

from pipelines.stages.publish import build, history, parquet_copy, publish
from pipelines.stages.publish.retention import Retention
from tests.pipelines.published_sweep import put_out
from tests.pipelines.stages.publish.synthetic_sweep import make_sweep

ACCOUNTS = 40


def loop(root: Path, count: int) -> None:
    for number in range(1, count + 1):
        put_out(
            make_sweep(root, number, accounts=ACCOUNTS, seed=number),
            retention=Retention(3, 0, 2),
        )


def read(root: Path) -> None:
    """Each round must find one whole publication: sweeps, rows, and links between them."""
    rounds, errors, seen = 0, [], set()
    while not (root / "stop").exists():
        rounds += 1
        try:
            seen.add(_read_database(root / "published" / "results.duckdb"))
            _read_parquet(root / "published" / "parquet")
        except Exception as error:  # any error at all is a failure of the promise
            errors.append(f"{type(error).__name__}: {error}")
    print(json.dumps({"rounds": rounds, "errors": errors[:5], "publications": len(seen)}))


def _read_database(path: Path) -> str:
    with duckdb.connect(str(path), read_only=True) as connection:
        latest = connection.execute("select max(sweep_id) from sweep").fetchone()[0]
        counts = connection.execute(
            "select (select count(*) from latest_recommendation),"
            " (select count(*) from candidate where sweep_id = ?),"
            " (select assessed from sweep where sweep_id = ?)",
            [latest, latest],
        ).fetchone()
    assert counts == (ACCOUNTS, ACCOUNTS * 9 // 10 * 8, ACCOUNTS * 9 // 10), counts
    return str(latest)


def _read_parquet(link: Path) -> None:
    folder = link.resolve(strict=True)  # once: everything read below is of one publication
    latest = pl.read_parquet(folder / "latest_recommendation.parquet")
    sweep = latest["sweep_id"].unique().to_list()
    newest = pl.read_parquet(folder / "sweep" / "*.parquet")["sweep_id"].max()
    assert (latest.height, sweep) == (ACCOUNTS, [newest]), (latest.height, sweep, newest)


def kill(root: Path, stride: int) -> None:
    step, died = 1, 0
    while _in_child(partial(_publish_and_die, root, step)) == -signal.SIGKILL:
        assert _in_child(partial(_read_once, root)) == 0, f"broken after step {step}"
        step, died = step + stride, died + 1
    print(json.dumps({"died": died}))


def _in_child(work: Callable[[], None]) -> int:
    """Exit code of `work` in a process of its own.

    This process itself never touches polars or DuckDB: their threads do not survive a fork.
    """
    child = os.fork()
    if child == 0:
        try:
            work()
        except BaseException:
            traceback.print_exc()
            os._exit(1)
        os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def _publish_and_die(root: Path, step: int) -> None:
    sweep = make_sweep(root, 2, accounts=ACCOUNTS)
    _die_at(step)
    put_out(sweep)


def _read_once(root: Path) -> None:
    _read_database(root / "published" / "results.duckdb")
    _read_parquet(root / "published" / "parquet")


def _die_at(step: int) -> None:
    """Count the steps of a publication and kill this process before and after the given one."""
    taken = itertools.count(1)  # two threads take steps: `next` counts each of them once

    def count() -> None:
        if next(taken) == step:
            os.kill(os.getpid(), signal.SIGKILL)

    def watched(call: Callable[..., object]) -> Callable[..., object]:
        def run(*args: object, **kwargs: object) -> object:
            count()
            result = call(*args, **kwargs)
            count()
            return result

        return run

    for owner, name in (
        (os, "replace"), (os, "link"), (shutil, "copyfile"), (parquet_copy, "_write"),
        (history, "continue_history"), (publish, "verify"), (publish, "begin_copy"),
        (publish, "flush"), (build.Build, "_insert_recommendations"), (build.Build, "_insert"),
        (build.Build, "create_views"), (build.Build, "insert_largest"),
        (parquet_copy.ParquetCopyWriter, "write_table"),
        (parquet_copy.ParquetCopy, "put_in_place"),
        (parquet_copy.ParquetCopy, "drop_others"),
    ):  # fmt: skip
        setattr(owner, name, watched(getattr(owner, name)))


if __name__ == "__main__":
    what, root, *rest = sys.argv[1:]
    {"loop": loop, "read": read, "kill": kill}[what](Path(root), *(int(r) for r in rest))
