"""The calibration page's figures against its floors, on fleets that set nothing; printed.

RIGHTSIZE_FLEETS=folder python -m pytest -m bench -s tests/benchmarks/fleets/test_calibration.py
"""

from __future__ import annotations

import pytest

from tests.fleets.calibration import FLOORS, cards

pytestmark = pytest.mark.bench
GROUPS = ("recorded water", "simulated, unseen", "wrong curves, classes, registers, seasons")


@pytest.fixture(scope="module")
def found():
    return cards(intervals=(60.0,))


@pytest.mark.parametrize("figure", list(FLOORS))
@pytest.mark.parametrize("group", GROUPS)
def test_a_figure_keeps_its_floor(found, group, figure, capsys):
    value = found[group][60.0].figures[figure]
    low, high = FLOORS[figure][GROUPS.index(group)]
    with capsys.disabled():
        print(f"{group}: {figure} {value:.3g}, floor {low} to {high}")
    assert low <= value <= high
