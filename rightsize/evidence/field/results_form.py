"""What comes back from the field: an empty form, and the head of a logger's file.

The head's keys are those of the layout of flow logs (handbook: *logs come back*).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from rightsize.campaign.visit import Visit
from rightsize.evidence.field.logger import SAMPLE_S
from rightsize.evidence.field.words import LOGS

FORM: Final[dict[str, str]] = {
    "account_id": "account, filled in",
    "meter_id": "meter, filled in",
    "kind": "kind of visit, filled in",
    "week_start_on": "Monday of the week, filled in",
    "crew": "crew, filled in",
    "is_done": "yes or no; no needs a remark",
    "serial_found": "serial on the meter",
    "meter_found": "type and size on the meter",
    "started_at": "local time of the start",
    "ended_at": "local time of the end",
    "register_at_start": "register reading at the start",
    "register_at_end": "register reading at the end",
    "pulse_gal": "volume of one pulse, as counted",
    "logger_id": "serial of the logger",
    "clock_at_start_s": "logger's clock less true time at the start, seconds",
    "clock_at_end_s": "the same at the end",
    "file": "name of the file that came from the logger or the bench",
    "remark": "what was not as recorded",
}
"""Columns of the form, each with what is written there."""
_FILLED: Final = ("account_id", "meter_id", "kind", "week_start_on", "crew")


def form_rows(visits: Sequence[Visit]) -> list[dict[str, object]]:
    """One row a visit, with what is known filled in and the rest empty."""
    return [
        {name: getattr(visit, name) if name in _FILLED else None for name in FORM}
        for visit in visits
    ]


def log_head(visit: Visit) -> str:
    """First lines of a logger's file, ready but for the pulse constant.

    Raises
    ------
    ValueError
        If the visit is no log.
    """
    if visit.kind not in LOGS:
        raise ValueError(f"{visit.kind!r} is no log")
    is_pulses = visit.kind == "flow_logging"
    lines = [
        f"# account_id: {_one_line(visit.account_id)}",
        f"# meter_id: {_one_line(visit.meter_id)}",
        *(["# pulse_gal: "] if is_pulses else ["# measures: pipe", "# error_pct: "]),
        f"# step_s: {SAMPLE_S[visit.kind]:g}",
        "# drift_s_per_day: 0",
        f"at,{'pulses' if is_pulses else 'flow'}",
    ]
    return "\n".join(lines) + "\n"


def _one_line(name: str) -> str:
    """A name that cannot end the line that it stands in."""
    return "".join(c if c.isprintable() else " " for c in name)


def is_blank_form(rows: Sequence[Mapping[str, str | None]]) -> bool:
    """Whether nothing has been filled in by hand: such a form may be written anew."""
    return not any(
        (value or "").strip()
        for row in rows
        for name, value in row.items()
        if name not in _FILLED
    )


def is_blank_log(text: str) -> bool:
    """Whether a logger's file is a head of ours with nothing filled in and no rows."""
    *keys, columns = text.splitlines() or [""]
    if columns not in ("at,pulses", "at,flow"):
        return False
    said = dict(line.removeprefix("# ").split(":", 1) for line in keys if ":" in line)
    filled = (said.get(name, "").strip() for name in ("pulse_gal", "error_pct"))
    return not any(filled) and said.get("drift_s_per_day", "").strip() == "0"
