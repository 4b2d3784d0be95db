"""Sizes that the trade makes are nominal pipe sizes, within what a standard's table lists."""

from __future__ import annotations

import pytest

from pipelines.configuration.load_catalogue import load_catalogue
from rightsize.meters.build.ratings import TRADE_SIZES_IN
from rightsize.recommend.rules.fire_gate import SERVICE_SIZES_IN
from rightsize.recommend.rules.meter_rules import NOMINAL_SIZES_IN

# FROM MEMORY, high trust: nominal pipe sizes of ASME B36.10M that water works use, 1/2 to 36 in
# (1 1/4, 2 1/2, 3 1/2 and 5 in are pipe, but no meter of the AWWA C700 family), and the 5/8 in
# of AWWA C700, which is a meter and no pipe.
NOMINAL_IN = (0.5, 0.625, 0.75, 1, 1.5, 2, 3, 4, 6, 8, 10, 12, 14, 16, 18, 20, 24, 30, 36)
# FROM MEMORY, high trust: least and largest size of each standard's table: C700 1/2 to 2 in,
# C701 3/4 to 20 in, C702 2 to 8 in, C703 3 to 12 in (10 and 12 in among fire-service meters),
# C704 2 in up (36 in common practice), C708 1/2 to 2 in, C712 1/2 to 6 in (common practice),
# C715 1/2 in up (24 in common practice).
ENDS_IN = {
    "displacement": (0.5, 2),
    "multi_jet": (0.5, 2),
    "single_jet": (0.5, 6),
    "turbine": (0.75, 20),
    "compound": (2, 8),
    "propeller": (2, 36),
    "electromagnetic": (0.5, 24),
    "ultrasonic": (0.5, 24),
    "fire_service": (3, 12),
}


@pytest.mark.parametrize("kind", sorted(TRADE_SIZES_IN))
def test_sizes_are_nominal_ascending_and_without_a_gap(kind):
    sizes = TRADE_SIZES_IN[kind]
    least, largest = ENDS_IN[kind]
    between = [s for s in NOMINAL_IN if least <= s <= largest]
    assert (sizes[0], sizes[-1]) == (least, largest)
    assert list(sizes) == sorted(set(sizes))
    assert set(sizes) <= set(between)
    skipped = set(between) - set(sizes)
    assert skipped <= {14, 18}, "only turbines skip sizes"
    assert not skipped or kind == "turbine"


def test_every_shipped_meter_has_a_size_that_is_made():
    for meter in load_catalogue().meters:
        assert meter.size_in in TRADE_SIZES_IN[meter.meter_type], meter.label


@pytest.mark.parametrize("steps", [NOMINAL_SIZES_IN, SERVICE_SIZES_IN])
def test_sizes_are_counted_in_steps_that_hold_every_size_of_the_common_types(steps):
    """HAND: of meters to 20 in; 2 1/2 in is a pipe that the trade counts or leaves out."""
    assert list(steps) == sorted(set(steps))
    assert set(steps) <= {*NOMINAL_IN, 2.5}
    for kind in ("displacement", "turbine", "compound", "fire_service"):
        assert set(TRADE_SIZES_IN[kind]) - {0.5} <= set(steps)
