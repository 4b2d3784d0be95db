"""Log events of a sweep, and the time, rows and memory of each stage.

Events go to the logger `rightsize`. Each has its own fields and those of its context (sweep,
stage, bucket). `log_to` writes them as JSON lines into `logs/` of the workspace, and to
standard error if requested. Any other handler, such as Prefect's, gets a line of text.
"""

from __future__ import annotations

import datetime as dt
import json
import logging
import os
import resource
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from pipelines.store.usable_path import usable_file, usable_folder

LOG: Final = logging.getLogger("rightsize")
LOG.addHandler(logging.NullHandler())
LOG.setLevel(logging.INFO)
LOG_JSON: Final = "RIGHTSIZE_LOG_JSON"
"""Environment variable of a flow run: events go to its standard error as JSON."""
_BYTES_PER_MB: Final = 1e6
_fields: ContextVar[dict[str, Any] | None] = ContextVar("rightsize_fields", default=None)


def event(message: str, *, level: int = logging.INFO, **fields: Any) -> None:
    """Log an event with its fields."""
    entry = {**(_fields.get() or {}), **fields}
    text = " ".join([message, *(f"{name}={value}" for name, value in entry.items())])
    LOG.log(level, "%s", text, extra={"event": message, "fields": entry})


@contextmanager
def concerning(**fields: Any) -> Iterator[None]:
    """Add these fields to every event in the block."""
    token = _fields.set({**(_fields.get() or {}), **fields})
    try:
        yield
    finally:
        _fields.reset(token)


class JsonLines(logging.Formatter):
    """One JSON object a line: at, level, message, then the event's fields."""

    def format(self, record: logging.LogRecord) -> str:
        at = dt.datetime.fromtimestamp(record.created, dt.UTC).isoformat(
            timespec="milliseconds"
        )
        message = getattr(record, "event", None) or record.getMessage()
        entry = {"at": at, "level": record.levelname.lower(), "message": message}
        return json.dumps({**entry, **getattr(record, "fields", {})}, default=str)


class _LogFile(logging.FileHandler):
    """A log that a full disk does not hold up: what cannot be written is left out.

    The sweep meets the full disk itself, and says so in a line.
    """

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802 - the base's name
        if not isinstance(sys.exc_info()[1], OSError):
            super().handleError(record)

    def close(self) -> None:
        with suppress(OSError):  # closing writes what was held back
            super().close()


@contextmanager
def log_to(folder: Path, *, to_stderr: bool = False) -> Iterator[None]:
    """Write events into `folder`, one file per month, and to standard error if requested.

    If they go to standard error as JSON, other handlers do not get them.
    """
    usable_folder(folder)
    folder.mkdir(parents=True, exist_ok=True)
    month = dt.datetime.now(dt.UTC).strftime("%Y-%m")
    path = folder / f"sweep-{month}.jsonl"
    usable_file(path, cure="remove it")
    handlers: list[logging.Handler] = [_LogFile(path, encoding="utf-8")]
    if to_stderr:
        handlers.append(logging.StreamHandler(sys.stderr))
    for handler in handlers:
        handler.setFormatter(JsonLines())
        LOG.addHandler(handler)
    propagated, LOG.propagate = LOG.propagate, LOG.propagate and not to_stderr
    try:
        yield
    finally:
        LOG.propagate = propagated
        for handler in handlers:
            LOG.removeHandler(handler)
            handler.close()


@dataclass
class StageCost:
    """Resources used by one stage; `item_count` and `row_count` are filled in by the stage."""

    stage: str
    started_at: dt.datetime
    duration_s: float = 0.0
    processor_s: float = 0.0
    item_count: int = 0
    row_count: int = 0
    peak_mb: float = 0.0
    outcome: str = "done"


@contextmanager
def stage_cost(stage: str) -> Iterator[StageCost]:
    """Time and memory of the block; logged as events at start and end."""
    cost = StageCost(stage, dt.datetime.now(dt.UTC))
    began, spent = time.monotonic(), processor_s()
    _restart_peak()
    with concerning(stage=stage):
        event("stage begins")
        try:
            yield cost
        except BaseException as error:
            cost.outcome = outcome_of(error)
            raise
        finally:
            cost.duration_s = time.monotonic() - began
            cost.processor_s = processor_s() - spent
            cost.peak_mb = max(cost.peak_mb, peak_mb())
            level = logging.INFO if cost.outcome == "done" else logging.ERROR
            event(
                "stage ends",
                level=level,
                outcome=cost.outcome,
                duration_s=round(cost.duration_s, 3),
                processor_s=round(cost.processor_s, 3),
                items=cost.item_count,
                rows=cost.row_count,
                peak_mb=round(cost.peak_mb, 1),
            )


def outcome_of(error: BaseException) -> str:
    """`failed` for an error, `stopped` if the user ended the sweep."""
    return "failed" if isinstance(error, Exception) else "stopped"


def processor_s() -> float:
    """Processor time of this process and of its children that have ended [s]."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(u.ru_utime + u.ru_stime for u in used)


def peak_mb() -> float:
    """Largest resident memory of this process [MB] since its stage began."""
    try:
        status = Path("/proc/self/status").read_text(encoding="ascii", errors="replace")
        line = next(x for x in status.splitlines() if x.startswith("VmHWM:"))
        return int(line.split()[1]) * 1024 / _BYTES_PER_MB
    except (OSError, StopIteration, ValueError):  # no /proc: the peak since the process started
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / _BYTES_PER_MB


def _restart_peak() -> None:
    """Reset the kernel's peak memory, so that each stage has its own."""
    try:
        descriptor = os.open("/proc/self/clear_refs", os.O_WRONLY)
    except OSError:
        return
    try:
        os.write(descriptor, b"5")
    except OSError:
        pass
    finally:
        os.close(descriptor)
