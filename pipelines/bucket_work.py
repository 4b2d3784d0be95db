"""Work on many buckets at once, each on one thread, so that sums never depend on the machine.

Floating-point sums change in the last digit with the order of adding. DuckDB adds in the order
of the input on one thread; so every bucket gets a connection of one thread, and the cores are
used by working on several buckets side by side. Results are then the same to the byte for any
number of workers, here or on a cluster.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

import duckdb

T = TypeVar("T")
R = TypeVar("R")
Progress = Callable[[str, int, int], None]

MEMORY_LIMIT_PER_BUCKET = "2GB"


@contextmanager
def bucket_connection(scratch: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """An in-memory database on one thread that spills into `scratch`."""
    scratch.mkdir(parents=True, exist_ok=True)
    connection = duckdb.connect(
        config={
            "threads": 1,
            "memory_limit": MEMORY_LIMIT_PER_BUCKET,
            "temp_directory": str(scratch),
            "preserve_insertion_order": True,
        }
    )
    connection.execute("set TimeZone = 'UTC'")
    try:
        yield connection
    finally:
        connection.close()


def worker_count(requested: int | None) -> int:
    """The number of workers asked for, or one a core."""
    return max(1, requested if requested else os.cpu_count() or 1)


def run_all(
    work: Callable[[T], R],
    items: Sequence[T],
    *,
    stage: str,
    workers: int,
    progress: Progress | None = None,
) -> list[R]:
    """`work` on every item, `workers` at a time; results in the order of the items.

    The first failure stops what has not begun and is raised.
    """
    if progress:
        progress(stage, 0, len(items))
    results: dict[int, R] = {}
    with ThreadPoolExecutor(max_workers=workers, thread_name_prefix=stage) as pool:
        futures = {pool.submit(work, item): k for k, item in enumerate(items)}
        try:
            for done, future in enumerate(as_completed(futures), start=1):
                results[futures[future]] = future.result()
                if progress:
                    progress(stage, done, len(items))
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise
    return [results[k] for k in range(len(items))]


def paths_of(files: Iterable[Path]) -> list[str]:
    """Paths as DuckDB takes them, in a fixed order."""
    return sorted(str(f) for f in files)
