"""What is not recorded of a site is on its visit form, by the column that takes it."""

from __future__ import annotations

import pytest

from pipelines.configuration.meter_list import COLUMNS
from pipelines.configuration.site_record import MEANINGS
from rightsize.evidence.visit import checklist
from tests.unit.evidence.sites import site

ASKED = (
    "service_line_in", "lay_length_in", "end_connection", "straight_run_in", "has_strainer",
    "has_power", "in_street", "backflow",
)  # fmt: skip


def asked(**listed: object) -> set[str]:
    steps = checklist(site(listed=listed))
    record = [s.what for s in steps if s.expected == "not recorded"]
    return {name for name in ASKED for what in record if f"({name})" in what}


def test_all_that_is_blank_is_asked_for() -> None:
    assert asked() == set(ASKED)
    assert asked(in_street="", has_strainer=None) == set(ASKED)


@pytest.mark.parametrize("name", ASKED)
def test_what_is_recorded_is_not_asked_for(name: str) -> None:
    assert asked(**{name: 12.0}) == set(ASKED) - {name}


def test_each_is_a_column_of_the_meter_list_and_each_fact_of_the_place_is_asked() -> None:
    assert set(ASKED) <= set(COLUMNS)
    assert set(MEANINGS) - set(ASKED) == {"upsize_evidence", "manifold"}
