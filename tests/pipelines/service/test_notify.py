"""Somebody is told of what they must know, once it can be delivered, and of nothing else."""

from __future__ import annotations

import json
import sys
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest

from pipelines.configuration.load_settings import load
from pipelines.service import notify
from pipelines.service.notify import flagged_change, noted, send
from pipelines.sweep.sweep import run_sweep
from rightsize.errors import WorkspaceBusyError
from tests.pipelines.small_utility import quick_utility


@pytest.fixture
def web() -> Iterator[tuple[str, list[dict], list[int]]]:
    """A web address, what was posted to it, and the answers it gives in turn (200 at last)."""
    posted: list[dict] = []
    answers: list[int] = []

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            answer = answers.pop(0) if answers else 200
            if answer == 200:
                posted.append(json.loads(body))
            self.send_response(answer)
            self.end_headers()

        def log_message(self, *args: object) -> None:
            pass

    server = HTTPServer(("127.0.0.1", 0), Handler)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    yield f"http://127.0.0.1:{server.server_port}/", posted, answers
    server.shutdown()
    server.server_close()


@pytest.fixture(autouse=True)
def _no_waiting(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(notify, "_FIRST_WAIT_S", 0.01)


def test_a_message_is_posted_and_posted_again_until_it_is_taken(web):
    url, posted, answers = web
    answers += [503, 500]
    assert send(url, {"subject": "hello"})
    assert posted == [{"subject": "hello"}]


def test_what_cannot_be_delivered_fails_nothing(web):
    url, posted, answers = web
    answers += [503] * 3
    assert not send(url, {"subject": "hello"})
    assert not send("false", {"subject": "hello"})
    assert not send("no-such-command-here", {"subject": "hello"})
    assert not posted


def test_a_command_gets_the_message_on_its_standard_input(tmp_path: Path):
    out = tmp_path / "message.json"
    code = "import sys; open(sys.argv[1], 'w').write(sys.stdin.read())"
    assert send(f'{sys.executable} -c "{code}" {out}', {"subject": "hello"})
    assert json.loads(out.read_text()) == {"subject": "hello"}


def test_flagged_accounts_that_came_left_or_changed():
    before = {("A", "1"): "oversized change displacement 1", ("B", "2"): "wrong_type keep"}
    after = {("A", "1"): "oversized change displacement 1.5", ("C", "3"): "oversized keep"}
    assert flagged_change(before, after) == {"added": ["C"], "removed": ["B"], "changed": ["A"]}
    assert flagged_change(after, after) == {}


def test_a_failed_sweep_and_a_failed_suite_are_told_and_a_busy_workspace_is_not(
    web, tmp_path: Path
):
    url, posted, _ = web
    config = quick_utility(tmp_path / "utility")
    spoilt = config.parent / "exports" / "reads_2025-03.csv"
    spoilt.write_text("meter_id,interval_end,volume,quality\n" + "X,never,many,A\n" * 20)
    loaded = load(config)

    def fails():
        raise OSError("no space left on device")

    def is_busy():
        raise WorkspaceBusyError("held")

    with pytest.raises(OSError, match="no space"):
        noted(loaded, url, fails)
    with pytest.raises(WorkspaceBusyError):
        noted(loaded, url, is_busy)
    noted(loaded, url, lambda: run_sweep(loaded, workers=2))
    assert [m["subject"] for m in posted] == ["sweep failed", "validation suite failed"]
    assert posted[0]["error"] == "no space left on device"
    assert {f["metric"] for f in posted[1]["failed"]} == {"rows_accepted", "rejected_share"}
    assert all(m["utility"] == "Larkmoor Water" for m in posted)
