"""Files of the test program, column by column: the published tables without the sweep."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from rightsize.contracts.table import Table
from rightsize.contracts.testing.test_program import (
    METER_TEST_DUE,
    METER_TEST_FLOW,
    METER_TEST_LOT,
    METER_TEST_OUTCOME,
)

_OF_THE_LOT: Final = ("age_group", "draw_order")
_OF_THE_DRAW: Final = (
    "account_id", "meter_id", "area", "meter_type", "size_in", "grade", *_OF_THE_LOT, "place",
)  # fmt: skip


def _file(
    name: str, table: Table, *, without: tuple[str, ...] = (), meaning: str = ""
) -> Table:
    """A file of a table's columns, without the sweep."""
    left_out = ("sweep_id", *without)
    return replace(
        table,
        name=name,
        key=tuple(k for k in table.key if k not in left_out),
        grain=table.grain.replace("per sweep, ", "per ").replace("per sweep and ", "per "),
        columns=tuple(c for c in table.columns if c.name not in left_out),
        meaning=meaning or table.meaning,
    )


METERS_DUE: Final = _file(
    "meters_due",
    METER_TEST_DUE,
    without=_OF_THE_LOT,
    meaning="Meters that are due for a test, and those without a date to tell by.",
)
LOTS: Final = _file("lots", METER_TEST_LOT)
SAMPLE: Final = replace(
    METERS_DUE,
    name="sample",
    meaning="Meters drawn at random from lots that are not decided.",
    grain="one row per meter",
    columns=tuple(METER_TEST_DUE.column(name) for name in _OF_THE_DRAW),
)
METER_OUTCOMES: Final = _file("outcomes", METER_TEST_OUTCOME)
TEST_FLOWS: Final = _file("test_flows", METER_TEST_FLOW)

FILES: Final = {t.name: t for t in (METERS_DUE, LOTS, SAMPLE, METER_OUTCOMES, TEST_FLOWS)}
"""Every file, by its name without `.csv`."""
