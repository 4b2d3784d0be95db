"""Generated parts of the handbook's page on meter tests: `python -m
pipelines.handbook.meter_tests`.

The text is written by hand; schedules, sample plans and files between markers are generated
from the code. A test fails if they differ.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Final

from pipelines.configuration.load_catalogue import load_service_rules
from pipelines.handbook import parts as handbook_parts
from rightsize.contracts.table import NULL_TEXT, Column, Table
from rightsize.meter_tests.acceptance import (
    acceptance_probability,
    bad_share_accepted,
    plan_of,
)
from rightsize.meter_tests.layouts import FILES
from rightsize.meters.catalogue import size_words
from rightsize.meters.testing_settings import MeterTestSettings

PAGE: Final = Path(__file__).resolve().parents[2] / "rightsize" / "handbook" / "meter_tests.md"
_LOTS: Final = (20, 50, 100, 250, 500, 1000, 3000, 10_000, 35_000)


def written_parts() -> dict[str, str]:
    """Text of each generated part of the page."""
    return {"schedules": _schedules(), "plans": _plans(), "files": _files()}


def with_parts(page: str) -> str:
    """The page with its generated parts rewritten.

    Raises
    ------
    ValueError
        If the page lacks a marker.
    """
    return handbook_parts.with_parts(page, written_parts())


def _schedules() -> str:
    held = load_service_rules().schedules
    sizes = sorted({size for s in held for size in s.interval_years})
    rows = [[size_words(z), *(f"{s.years(z):g}" for s in held)] for z in sizes]
    sources = [f"- `{s.name}`: {s.source}" for s in held]
    heads = ["size [in]", *(f"`{s.name}`" for s in held)]
    return "\n".join([_table(heads, rows), "", *sources])


def _plans() -> str:
    settings = MeterTestSettings.model_validate({})
    rows = []
    for lot in _LOTS:
        plan = plan_of(lot, settings.aql_pct, settings.inspection_level)
        at_ten = acceptance_probability(plan, round(lot * 0.1), lot_count=lot)
        rows.append(
            [
                f"{lot:,}", plan.letter, f"{plan.sample_count:,}", f"{plan.accept}",
                f"{100 * bad_share_accepted(plan, lot, 0.95):.1f} %",
                f"{100 * bad_share_accepted(plan, lot, 0.10):.0f} %",
                f"{100 * float(at_ten):.0f} %",
            ]
        )  # fmt: skip
    heads = [
        "meters in the lot", "letter", "to test", "accepted with at most",
        "out of limits, accepted 95 % of the time", "still accepted 10 % of the time",
        "a lot with 10 % out of limits is accepted",
    ]  # fmt: skip
    return _table(heads, rows)


def _files() -> str:
    return "\n\n".join(_file(name, table) for name, table in FILES.items())


def _file(name: str, table: Table) -> str:
    rows = [[f"`{c.name}`", c.unit, _meaning(c)] for c in table.columns]
    return (
        f"### {name}.csv\n{table.meaning} {table.grain[0].upper()}{table.grain[1:]}.\n\n"
        + _table(["column", "unit", "meaning"], rows)
    )


def _meaning(column: Column) -> str:
    blank = (
        f"; {NULL_TEXT[column.null].replace('null', 'blank')}" if column.null != "never" else ""
    )
    return column.meaning + blank


def _table(heads: list[str], rows: Iterable[list[str]]) -> str:
    lines = [heads, ["---"] * len(heads), *rows]
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)


if __name__ == "__main__":
    PAGE.write_text(with_parts(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
