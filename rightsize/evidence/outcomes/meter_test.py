"""What a site page says of meter tests: what the newest led to, and why the next is due."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from rightsize.evidence.quantity import Units, decimal
from rightsize.meter_tests.due import REASONS

_OUTCOME: Final = {
    "pass": "the meter passes",
    "repair": "repair the meter",
    "replace": "replace the meter",
}
_PLACE: Final = {"bench": "on the bench", "field": "in place"}


def meter_test_lines(
    outcome: Mapping[str, Any] | None, due: Mapping[str, Any] | None, units: Units
) -> list[str]:
    """Sentences on the newest accuracy test and on the next one.

    Parameters
    ----------
    outcome : mapping or None
        The meter's row of `meter_test_outcome`.
    due : mapping or None
        The meter's row of `meter_test_due`.
    """
    lines = []
    if outcome is not None:
        lines.append(f"{_tested(outcome, due)}: {_OUTCOME[outcome['outcome']]}. "
                     f"{_sentence(outcome['reason'])}")  # fmt: skip
    if due is not None and due["due_by"]:
        why = "; ".join(REASONS[code] for code in due["due_by"].split())
        day = f", by {due['due_on']}" if due["due_on"] else ""
        lines.append(
            f"Due for a test {_PLACE[due['place']]}{day}: {why}"
            f" (test {units.usd(due['test_cost_usd'])})."
        )
    elif due is not None and due["draw_order"] is not None:
        lines.append("Drawn at random for the sample of its lot: test this meter, no other.")
    return lines


def _tested(outcome: Mapping[str, Any], due: Mapping[str, Any] | None) -> str:
    day = due["last_tested_on"] if due is not None else None
    if day is not None:
        return f"Tested {day}"
    return f"Tested at an age of {decimal(outcome['test_age_years'], 1)} years"


def _sentence(said: str) -> str:
    return f"{said[:1].upper()}{said[1:]}."
