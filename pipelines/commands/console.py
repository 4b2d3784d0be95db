"""What a person at a terminal sees: progress while a sweep runs, a summary when it ends."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.text import Text

if TYPE_CHECKING:
    from pipelines.work.bucket_work import Progress as Report


def visible(text: str) -> str:
    """Text with control characters escaped."""
    return "".join(c if c.isprintable() else repr(c)[1:-1] for c in text)


def shown(text: str) -> str:
    """The same for text of several lines."""
    return "\n".join(visible(line) for line in text.split("\n"))


class PlainConsole(Console):
    """Writes text literally: names of accounts, files and columns may contain anything.

    Nothing in a text is markup, an emoji or a terminal command. Style is set by arguments.
    """

    def __init__(self, **options: Any) -> None:
        super().__init__(highlight=False, markup=False, emoji=False, **options)

    def render_str(self, text: str, **options: Any) -> Text:
        """Like `Console.render_str`, with control characters escaped."""
        return super().render_str(shown(text), **options)


out = PlainConsole()
err = PlainConsole(stderr=True)

STAGE_WORDS = {
    "land": "loading exports",
    "validate": "validating reads",
    "profile": "summarizing reads by meter and month",
    "learn": "estimating fleet priors",
    "assess": "estimating flows, selecting meters",
    "scrub": "verifying stored files",
    "verify": "measuring the gain of past change-outs",
    "publish": "publishing results",
    "pages": "writing fleet pages",
}


@contextmanager
def progress(*, quiet: bool = False) -> Iterator[Report]:
    """A report function: a progress bar per stage on a terminal, else a line per stage.

    A quiet one prints nothing: the JSON events carry the same information.
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
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        SpinnerColumn,
        TextColumn,
    )

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
    """Prints a line when a stage ends, with its time."""

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
