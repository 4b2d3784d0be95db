"""Telling somebody: a sweep failed, a suite failed, or the flagged list changed.

The target is a web address, to which the message is posted as JSON, or a command, which gets it
on its standard input. A message that cannot be delivered is an event in the log; it never fails
a sweep.
"""

from __future__ import annotations

import json
import logging
import shlex
import subprocess
import time
import urllib.request
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

import duckdb

from pipelines.configuration.load_settings import Loaded
from pipelines.store.resources import sql_text
from pipelines.sweep.sweep import SweepOutcome
from pipelines.work.observe import event
from rightsize.errors import WorkspaceBusyError

TRIES: Final = 3
TIMEOUT_S: Final = 30
_FIRST_WAIT_S: Final = 1.0

Flagged = dict[tuple[str, str], str]


def noted(loaded: Loaded, target: str | None, run: Callable[[], SweepOutcome]) -> SweepOutcome:
    """Run a sweep; tell the target if it fails, a suite fails, or the flagged list changes.

    Somebody who stops a sweep knows it already, and one that finds another at work is no
    failure.
    """
    if target is None:
        return run()
    results = loaded.workspace.results
    before = flagged_accounts(results)
    about = {"utility": loaded.settings.utility, "config": str(loaded.path)}
    try:
        outcome = run()
    except WorkspaceBusyError:
        raise
    except Exception as error:
        send(target, {**about, "subject": "sweep failed", "error": str(error)})
        raise
    about["sweep_id"] = outcome.sweep_id
    if failed := [asdict(o) for o in outcome.validated.failed]:
        send(target, {**about, "subject": "validation suite failed", "failed": failed})
    if change := flagged_change(before, flagged_accounts(results)):
        send(target, {**about, "subject": "flagged list changed", **change})
    return outcome


def flagged_accounts(results: Path) -> Flagged:
    """What the published list of flagged accounts asks for, by account and meter."""
    if not results.is_file():
        return {}
    with duckdb.connect(str(results), read_only=True) as connection:
        rows = connection.execute(sql_text("90_observe/flagged")).fetchall()
    return {(account, meter): asked for account, meter, asked in rows}


def flagged_change(before: Flagged, after: Flagged) -> dict[str, list[str]]:
    """Accounts that came onto the list, left it, or have another meter to install now."""
    change = {
        "added": sorted({a for a, m in after.keys() - before.keys()}),
        "removed": sorted({a for a, m in before.keys() - after.keys()}),
        "changed": sorted(
            {key[0] for key in after.keys() & before.keys() if after[key] != before[key]}
        ),
    }
    return change if any(change.values()) else {}


def send(target: str, message: dict[str, Any]) -> bool:
    """Deliver a message; tries again with back-off. Whether it was delivered."""
    for attempt in range(TRIES):
        try:
            _deliver(target, json.dumps(message))
        except (OSError, subprocess.SubprocessError, ValueError) as error:
            problem = str(error)
            if attempt + 1 < TRIES:
                time.sleep(_FIRST_WAIT_S * 4**attempt)
        else:
            event("notified", subject=message["subject"])
            return True
    event("not notified", level=logging.ERROR, subject=message["subject"], error=problem)
    return False


def _deliver(target: str, text: str) -> None:
    if target.startswith(("http://", "https://")):
        request = urllib.request.Request(
            target, data=text.encode(), headers={"Content-Type": "application/json"}
        )
        with urllib.request.urlopen(request, timeout=TIMEOUT_S):
            return
    subprocess.run(
        shlex.split(target),
        input=text,
        text=True,
        timeout=TIMEOUT_S,
        check=True,
        stdout=subprocess.DEVNULL,
    )
