"""What a person at a terminal sees: progress while a sweep runs, a summary when it ends."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, SpinnerColumn, TextColumn

from pipelines.work.bucket_work import Progress as Report

out = Console(highlight=False)
err = Console(stderr=True, highlight=False)

STAGE_WORDS = {
    "land": "landing exports",
    "validate": "validating",
    "profile": "profiling meters by month",
    "learn": "learning from the fleet",
    "assess": "inferring flows, choosing meters",
    "publish": "publishing",
    "pages": "drawing the fleet pages",
}


@contextmanager
def progress(*, quiet: bool = False) -> Iterator[Report]:
    """A report function: a bar a stage on a terminal, a plain line a stage otherwise.

    A quiet one says nothing: events tell the same where they are written as JSON.
    """
    if quiet:
        yield lambda stage, done, total: None
    elif sys.stderr.isatty():
        with _bars() as bars:
            yield bars
    else:
        yield _Lines()


@contextmanager
def _bars() -> Iterator[Report]:
    display = Progress(
        SpinnerColumn(finished_text="done"),
        TextColumn("{task.description}"),
        BarColumn(bar_width=30),
        MofNCompleteColumn(),
        TextColumn("{task.fields[took]}"),
        console=err,
    )
    tasks = {}
    began = {}
    with display:

        def report(stage: str, done: int, total: int) -> None:
            if stage not in tasks:
                began[stage] = time.monotonic()
                words = STAGE_WORDS.get(stage, stage)
                tasks[stage] = display.add_task(words, total=max(total, 1), took="")
            took = f"{time.monotonic() - began[stage]:.1f} s"
            completed = max(total, 1) if done >= total else done
            display.update(tasks[stage], completed=completed, total=max(total, 1), took=took)

        yield report


class _Lines:
    """Says when a stage begins and when it has ended, with its time."""

    def __init__(self) -> None:
        self._began: dict[str, float] = {}
        self._ended: set[str] = set()

    def __call__(self, stage: str, done: int, total: int) -> None:
        self._began.setdefault(stage, time.monotonic())
        if done < total or stage in self._ended:
            return
        self._ended.add(stage)
        words = STAGE_WORDS.get(stage, stage)
        took = time.monotonic() - self._began[stage]
        err.print(f"{words}: {total} of {total} in {took:.1f} s", soft_wrap=True)
