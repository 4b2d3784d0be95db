"""Alerts: a sweep failed, a validation suite failed, or the flagged accounts changed.

The target is a web address, to which the message is posted as JSON, or a command, which gets it
on its standard input. A message that cannot be delivered is an event in the log; it never fails
a sweep. Addresses and arguments hold tokens, so no event repeats them, nor what a command says.
"""

from __future__ import annotations

import http.client
import json
import logging
import os
import shlex
import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import IO, Any, Final

import duckdb

from pipelines.configuration.load_settings import Loaded
from pipelines.store.private_files import refuse_open_to_all
from pipelines.store.resources import sql_text
from pipelines.sweep.sweep import SweepOutcome
from pipelines.work.observe import event
from rightsize.errors import ConfigError, WorkspaceBusyError

TRIES: Final = 3
TIMEOUT_S: Final = 30
_FIRST_WAIT_S: Final = 1.0

_SECRETS: Final = ("PREFECT_API_AUTH_STRING", "PREFECT_SERVER_API_AUTH_STRING")
"""Of the environment: what a command that tells somebody has no need of."""

Flagged = dict[tuple[str, str], str]


class NotDeliveredError(Exception):
    """Why a message did not arrive, in words that repeat nothing of the target."""


def noted(loaded: Loaded, said: str | None, run: Callable[[], SweepOutcome]) -> SweepOutcome:
    """Run a sweep; tell the target if it fails, a suite fails, or the flagged list changes.

    The target is what was `said` with the command, else that of the configuration. Somebody who
    stops a sweep knows it already, and one that finds another at work is no failure.
    """
    target = said or _configured(loaded)
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


def _configured(loaded: Loaded) -> str | None:
    """The target of the configuration; no command of a file that every user may change."""
    target = loaded.settings.notify
    if target is not None and not _is_address(target):
        try:
            refuse_open_to_all(loaded.path)
        except ConfigError as error:
            event("nobody will be notified", level=logging.ERROR, error=str(error))
            return None
    return target


def flagged_accounts(results: Path) -> Flagged | None:
    """What the published list of flagged accounts asks for, by account and meter.

    None if the results cannot be read: the sweep says so itself, or replaces them.
    """
    if not results.is_file():
        return {}
    try:
        with duckdb.connect(str(results), read_only=True) as connection:
            rows = connection.execute(sql_text("90_observe/flagged")).fetchall()
    except duckdb.Error:
        return None
    return {(account, meter): asked for account, meter, asked in rows}


def flagged_change(before: Flagged | None, after: Flagged | None) -> dict[str, list[str]]:
    """Accounts that came onto the list, left it, or have another meter to install now."""
    if before is None or after is None:
        return {}
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
    subject = message["subject"]
    for attempt in range(TRIES):
        try:
            _deliver(target.strip(), json.dumps(message, default=str))
        except NotDeliveredError as error:
            problem = str(error)
            if attempt + 1 < TRIES:
                time.sleep(_FIRST_WAIT_S * 4**attempt)
        else:
            event("notified", subject=subject)
            return True
    event("not notified", level=logging.ERROR, subject=subject, error=problem)
    return False


def _is_address(target: str) -> bool:
    return target.strip().lower().startswith(("http://", "https://"))


def _deliver(target: str, text: str) -> None:
    if _is_address(target):
        _post(target, text)
    else:
        _run(target, text)


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    """A redirect is asked again without the message: nobody would have been told."""

    def redirect_request(
        self,
        req: urllib.request.Request,
        fp: IO[bytes],
        code: int,
        msg: str,
        headers: http.client.HTTPMessage,
        newurl: str,
    ) -> None:
        return None


def _post(address: str, text: str) -> None:
    try:
        request = urllib.request.Request(
            address, data=text.encode(), headers={"Content-Type": "application/json"}
        )
        with urllib.request.build_opener(_NoRedirect).open(request, timeout=TIMEOUT_S):
            return
    except urllib.error.HTTPError as error:
        redirect = ", a redirect, which is not followed" if 300 <= error.code < 400 else ""
        problem = f"the web address answered {error.code}{redirect}"
    except (http.client.InvalidURL, ValueError):
        problem = "the web address is not valid"
    except http.client.HTTPException as error:
        problem = f"the web address gave no proper answer ({type(error).__name__})"
    except OSError as error:
        reason = getattr(error, "reason", error)
        why = getattr(reason, "strerror", None) or type(reason).__name__
        problem = f"the web address did not answer: {why}"
    raise NotDeliveredError(problem)


def _run(command: str, text: str) -> None:
    kept = {name: value for name, value in os.environ.items() if name not in _SECRETS}
    try:
        words = shlex.split(command)
        if not words:
            raise NotDeliveredError("the target is empty")
        done = subprocess.run(
            words,
            input=text,
            text=True,
            timeout=TIMEOUT_S,
            check=False,
            env=kept,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
    except subprocess.TimeoutExpired:
        problem = f"the command did not end within {TIMEOUT_S} s"
    except OSError as error:
        problem = f"the command could not be run: {error.strerror or type(error).__name__}"
    except ValueError:
        problem = "the command is not understood: a quote is not closed, or a sign is no text"
    else:
        if done.returncode == 0:
            return
        problem = f"the command ended with exit code {done.returncode}"
    raise NotDeliveredError(problem)
