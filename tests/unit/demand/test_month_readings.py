"""Which registers' volumes are plain differences of readings, and which need a closer look."""

from __future__ import annotations

import numpy as np
import pytest

from rightsize.demand.month_grid import ABSENT, ESTIMATED, MEASURED
from rightsize.demand.month_readings import EDITED, rises

USUAL = [3.0, 0.0, 5.0, 2.0, 4.0] * 20


def of(volumes: list[float], begin: float = 100.0):
    readings = np.cumsum([begin, *volumes])[None]
    return rises(readings, np.full(readings.shape, MEASURED, np.uint8), len(volumes))


def test_volumes_are_differences_and_absent_cells_have_none() -> None:
    readings = np.array([[0.0, 10, 12, 15, 0]])
    kind = np.array([[ABSENT, MEASURED, MEASURED, MEASURED, ABSENT]], np.uint8)
    found = rises(readings, kind, 3)
    assert found.gal.tolist() == [[0, 2, 3]]
    assert found.kind.tolist() == [[ABSENT, MEASURED, MEASURED]]
    assert found.is_plain.tolist() == [True]


@pytest.mark.parametrize(
    ("start", "end", "wanted"),
    [
        (MEASURED, EDITED, MEASURED),
        (MEASURED, ESTIMATED, ESTIMATED),
        (EDITED, ESTIMATED, MEASURED),
        (ESTIMATED, MEASURED, ESTIMATED),
        (ABSENT, ESTIMATED, ABSENT),
    ],
)
def test_a_period_has_the_quality_of_its_start_unless_that_is_measured(
    start: int, end: int, wanted: int
) -> None:
    found = rises(np.array([[1.0, 2.0]]), np.array([[start, end]], np.uint8), 1)
    assert found.kind.tolist() == [[wanted]]


@pytest.mark.parametrize(
    ("case", "volumes", "is_plain"),
    [
        ("steady", USUAL, True),
        ("no use at all", [0.0] * 50, True),
        ("back by a usual step", [*USUAL, -2.0, *USUAL], True),
        ("back by more", [*USUAL, -6.0, *USUAL], False),
        ("back without any use", [0.0] * 9 + [-1.0], False),
        ("anew at zero", [*USUAL, -380.0], False),
        ("stuck, then the usual volume of the time", [*USUAL, *[0.0] * 9, 28.0], False),
        ("the same after six equal readings", [*USUAL, *[0.0] * 5, 28.0], True),
        ("a leap that is no usual volume", [*USUAL, *[0.0] * 9, 900.0], True),
    ],
)
def test_a_closer_look(case: str, volumes: list[float], is_plain: bool) -> None:
    assert of(volumes).is_plain.tolist() == [is_plain], case


def test_a_register_that_starts_anew_within_a_usual_step_is_looked_at() -> None:
    assert not of([900.0] * 20 + [-450.0], begin=-17_500.0).is_plain[0]  # 500 to 50


def test_a_meter_is_judged_alone() -> None:
    rows = [USUAL, [*USUAL[:-1], -90.0], [0.0] * len(USUAL)]
    readings = np.cumsum([[50.0, *row] for row in rows], axis=1)
    kind = np.full(readings.shape, MEASURED, np.uint8)
    assert rises(readings, kind, 7).is_plain.tolist() == [True, False, True]
