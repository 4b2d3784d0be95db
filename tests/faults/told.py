"""A command run in this process: its exit code and what it said; held to its promises."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import yaml
from typer.testing import CliRunner

from pipelines.cli import app
from tests.pipelines.exports import HEADER, METERS, TARIFF

GOOD_READS = HEADER + "M2,2025-06-01 01:00,1,A\nM2,2025-06-01 02:00,2,A\n"
LONGEST_LINE = 1000  # characters; a longer message hides what it says


@dataclass(frozen=True)
class Told:
    """How a command ended."""

    code: int
    said: str  # on standard error
    printed: str  # on standard output
    escaped: BaseException | None  # what would have been a traceback


def told(*words: str | Path) -> Told:
    """Run one command of `rightsize`."""
    result = CliRunner().invoke(app, [str(word) for word in words])
    ended = isinstance(result.exception, SystemExit) or result.exception is None
    escaped = None if ended else result.exception
    return Told(result.exit_code, result.stderr, result.stdout, escaped)


def refused(outcome: Told, *words: str, codes: tuple[int, ...] = (2, 3)) -> None:
    """Hold a refusal to its promise: a code, short lines, what and where, no traceback."""
    if outcome.escaped is not None:
        raise outcome.escaped
    assert "Traceback" not in outcome.said
    assert outcome.code in codes, (outcome.code, outcome.said[-500:], outcome.printed[-500:])
    text = outcome.said + outcome.printed
    for word in words:
        assert word in text, text[-800:]
    if outcome.code == 2:
        lines = outcome.said.strip().splitlines()
        first = next((n for n, line in enumerate(lines) if line.startswith("rightsize: ")), 0)
        assert all(len(line) <= LONGEST_LINE for line in lines[first:])


def small_utility(folder: Path, **changes: object) -> Path:
    """One export of two reads, four meters, nothing assessed; returns its configuration."""
    (folder / "exports").mkdir(parents=True)
    (folder / "exports" / "reads.csv").write_text(GOOD_READS)
    (folder / "meters.csv").write_text(METERS)
    (folder / "tariff.yaml").write_text(TARIFF)
    (folder / "thresholds.yaml").write_text("tolerated_not_assessed_share: 1\n")
    config = folder / "sweep.yaml"
    config.write_text(yaml.safe_dump({**settings(), **changes}))
    return config


GOOD_LOG = "# meter_id: M2\n# pulse_gal: 1\n# step_s: 10\nat,pulses\n" + "".join(
    f"2025-06-01T07:{m:02d}:{s:02d}Z,1\n" for m in range(30) for s in range(0, 60, 10)
)


def logged_utility(folder: Path, **changes: object) -> Path:
    """The small utility with register reads, a flow log, and rejected rows of each."""
    register = {"name": "walk", "path": "register.csv", "layout": "register"}
    exports = [register, *settings()["exports"]]  # type: ignore[misc]
    config = small_utility(folder, exports=exports, flow_logs={"path": "logs/*"}, **changes)
    (folder / "exports" / "bad.csv").write_text("meter_id,interval_end,volume\nM1,never,1\n")
    (folder / "register.csv").write_text(
        "meter_id,read_at,reading\nM4,2025-06-01 01:00,1\nM4,2025-06-02 01:00,2\n"
    )
    (folder / "logs").mkdir()
    (folder / "logs" / "m2.csv").write_text(f"{GOOD_LOG}never,1\n")
    return config


def settings() -> dict[str, object]:
    """The configuration of the small utility."""
    return {
        "utility": "Testwater",
        "timezone": "America/Denver",
        "exports": [{"name": "main", "path": "exports/*"}],
        "thresholds": "thresholds.yaml",
        "buckets": 1,
        "site_pages": 0,
    }
