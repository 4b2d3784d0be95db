"""Runs many buckets in parallel, each on one thread, so that sums never depend on the machine.

Floating-point sums change in the last digit with the order of addition. DuckDB adds in input
order on one thread; so every bucket gets a single-threaded connection, and several buckets run
in parallel. Results are then identical to the byte for any number of workers, here or on a
cluster.

The work is done by an `Executor` of `concurrent.futures`: threads of this process, a Dask
cluster (`pipelines.work.cluster`) or Prefect tasks (`pipelines.service.flows`).
"""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Executor, Future, ThreadPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Generic, TypeVar

import duckdb

from pipelines.store.leftovers import own_name
from pipelines.store.open_connections import interrupt_all, interruptible
from pipelines.store.storage import scratch_here
from pipelines.work.code_version import code_version
from pipelines.work.observe import StageCost, event, peak_mb
from rightsize.errors import ClusterError

T = TypeVar("T")
R = TypeVar("R")
Progress = Callable[[str, int, int], None]

MEMORY_LIMIT_PER_BUCKET = "2GB"


@contextmanager
def bucket_connection(scratch: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """An in-memory database on one thread with its own spill folder in `scratch`.

    Its own, since a database empties its spill folder when it closes. `RIGHTSIZE_SCRATCH` in
    the environment can put `scratch` on a worker's local disk.
    """
    spill = scratch_here(scratch) / own_name("bucket")
    connection = duckdb.connect(
        config={
            "threads": 1,
            "memory_limit": MEMORY_LIMIT_PER_BUCKET,
            "temp_directory": str(spill),
            "preserve_insertion_order": True,
        }
    )
    connection.execute("set TimeZone = 'UTC'")
    try:
        with interruptible(connection):
            yield connection
    finally:
        shutil.rmtree(spill, ignore_errors=True)


def worker_count(requested: int | None) -> int:
    """The requested number of workers, or one per core."""
    return max(1, requested if requested else os.cpu_count() or 1)


@dataclass(frozen=True)
class Pool:
    """Executor of the bucket work.

    `most_tasks` limits the tasks per stage where tasks are expensive: several items then share
    a task. `sees_workspace` is false for machines that share no disk with this one: their
    files go through the workspace's storage.
    """

    executor: Executor
    most_tasks: int | None = None
    sees_workspace: bool = True


@contextmanager
def local_pool(workers: int | None = None) -> Iterator[Pool]:
    """Threads of this process, one per core by default."""
    count = worker_count(workers)
    with ThreadPoolExecutor(max_workers=count, thread_name_prefix="bucket") as executor:
        yield Pool(executor)


def run_all(
    work: Callable[[T], R],
    items: Sequence[T],
    *,
    stage: str,
    pool: Pool,
    progress: Progress | None = None,
    cost: StageCost | None = None,
) -> list[R]:
    """`work` on every item by the pool; results in the order of the items.

    `work` and items must be picklable for a cluster. The first failure cancels what has not
    started and is raised; running tasks finish. When the sweep itself is stopped, running
    statements are interrupted too.
    """
    report = progress or (lambda stage, done, total: None)
    report(stage, 0, len(items))
    results: dict[int, R] = {}
    groups = _grouped(range(len(items)), pool.most_tasks)
    task = partial(_do, work, code_version())
    futures = {pool.executor.submit(task, [items[k] for k in ks]): ks for ks in groups}
    try:
        for future in as_completed(futures):
            for k, done in zip(futures[future], future.result(), strict=True):
                results[k] = done.result
                _report(items[k], done, cost)
            report(stage, len(results), len(items))
    except BaseException as error:
        _stop(futures, interrupt=not isinstance(error, Exception))
        raise
    return [results[k] for k in range(len(items))]


@dataclass(frozen=True)
class _Done(Generic[R]):
    """A result, and the resources it used on its worker."""

    result: R
    duration_s: float
    peak_mb: float
    host: str
    pid: int


def _do(work: Callable[[T], R], version: str, items: Sequence[T]) -> list[_Done[R]]:
    """Runs in a worker: every item of one task."""
    if code_version() != version:
        raise ClusterError(
            f"worker {os.uname().nodename} runs rightsize {code_version()}, but the sweep runs "
            f"{version}; "
            "install the same release on every worker and restart them"
        )
    return [_timed(work, item) for item in items]


def _timed(work: Callable[[T], R], item: T) -> _Done[R]:
    began = time.monotonic()
    result = work(item)
    spent = time.monotonic() - began
    return _Done(result, spent, peak_mb(), os.uname().nodename, os.getpid())


def _report(item: Any, done: _Done[Any], cost: StageCost | None) -> None:
    if cost is not None:
        cost.peak_mb = max(cost.peak_mb, done.peak_mb)
    names = {k: getattr(item, k) for k in ("month", "bucket") if hasattr(item, k)}
    event(
        "bucket done",
        **names,
        duration_s=round(done.duration_s, 3),
        peak_mb=round(done.peak_mb, 1),
        worker=f"{done.host}:{done.pid}",
    )


def _grouped(numbers: Sequence[int], most: int | None) -> list[list[int]]:
    """All numbers in at most `most` groups of similar size; deterministic."""
    count = len(numbers) if most is None else min(most, len(numbers))
    return [list(numbers[k::count]) for k in range(count)]


def _stop(futures: Iterable[Future[Any]], *, interrupt: bool) -> None:
    for future in futures:
        future.cancel()
    if interrupt:
        interrupt_all()
