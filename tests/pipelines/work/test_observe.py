"""Events carry what they concern; a stage's cost is its own."""

from __future__ import annotations

import json
import logging
from pathlib import Path

import numpy as np
import pytest

from pipelines.work.observe import LOG, concerning, event, log_to, stage_cost


def lines(folder: Path) -> list[dict]:
    (path,) = folder.glob("sweep-*.jsonl")
    return [json.loads(line) for line in path.read_text().splitlines()]


def test_an_event_carries_its_fields_and_those_of_the_work_around_it(tmp_path: Path):
    with log_to(tmp_path), concerning(sweep="S1"):
        event("bucket done", bucket="03")
        with concerning(stage="assess"):
            event("said", path=tmp_path)
    first, second = lines(tmp_path)
    assert (first["message"], first["sweep"], first["bucket"]) == ("bucket done", "S1", "03")
    assert "stage" not in first
    assert (second["sweep"], second["stage"], second["path"]) == ("S1", "assess", str(tmp_path))
    assert second["level"] == "info"
    assert second["at"].endswith("+00:00")


def test_a_stage_that_fails_and_one_that_is_stopped_are_told_apart(tmp_path: Path):
    with log_to(tmp_path):
        for error in (OSError("disk"), KeyboardInterrupt()):
            with pytest.raises(type(error)), stage_cost("land"):
                raise error
    ended = [x for x in lines(tmp_path) if x["message"] == "stage ends"]
    assert [x["outcome"] for x in ended] == ["failed", "stopped"]
    assert {x["level"] for x in ended} == {"error"}


def test_a_stage_is_not_charged_with_the_memory_of_the_one_before():
    with stage_cost("large") as large:
        block = np.ones(40_000_000)  # ANALYTIC: 320 MB
        del block
    with stage_cost("small") as small:
        pass
    assert large.peak_mb - small.peak_mb > 250


def test_a_log_on_a_full_disk_says_nothing_of_its_own(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    """The sweep tells of the disk in a line; a traceback of the log would hide it."""
    with Path("/dev/full").open("w", encoding="utf-8") as full, log_to(tmp_path):
        [file] = [h for h in LOG.handlers if isinstance(h, logging.FileHandler)]
        file.setStream(full)
        event("stage begins")
    assert capsys.readouterr().err == ""
