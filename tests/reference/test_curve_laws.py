"""Curves at low flow against the laws of how a type loses registration.

Physics (from memory, high trust: Baker, Flow Measurement Handbook): past the chamber of a
displacement meter slips a nearly constant flow, so its loss goes with 1 over flow; a rotor is
braked by a nearly constant friction, so its loss goes with 1 over flow squared. R 49 promises
nothing below Q1.
"""

from __future__ import annotations

import numpy as np
import pytest

from pipelines.configuration.load_catalogue import load_catalogue
from rightsize.meters.catalogue import Catalogue
from rightsize.meters.curve import registration_ratio

LAWS = (
    [("displacement", s, 1) for s in (0.625, 0.75, 1, 1.5, 2)]
    + [("turbine", s, 2) for s in (1.5, 2, 3, 4, 6)]
    + [("multi_jet", s, 2) for s in (0.625, 1, 2)]
    + [("single_jet", s, 2) for s in (0.625, 1, 2)]
    + [("compound", s, 1) for s in (2, 3, 4, 6)]
)


@pytest.fixture(scope="module")
def shipped() -> Catalogue:
    return load_catalogue()


@pytest.mark.parametrize(("kind", "size", "power"), LAWS)
def test_the_loss_follows_the_law_above_the_stop_band(
    shipped: Catalogue, kind: str, size: float, power: int
) -> None:
    meter = shipped.find(kind, size)
    middle = sum(meter.normal_limits) / 2
    flow = np.geomspace(1.3 * meter.starting_gpm, meter.min_test_gpm, 50)
    loss = middle - registration_ratio(flow, meter)
    law = loss[-1] * (meter.min_test_gpm / flow) ** power
    assert loss == pytest.approx(law, abs=0.0025)


def test_a_disc_by_hand(shipped: Catalogue) -> None:
    # HAND: 98 % at the test flow is a slip of 2 % of it: 96 % at half, 92 % at a quarter
    meter = shipped.find("displacement", 1)
    at = meter.min_test_gpm * np.array([1, 0.5, 0.25])
    assert registration_ratio(at, meter) == pytest.approx([0.98, 0.96, 0.92], abs=0.002)


def test_a_meter_stops_within_a_narrow_band(shipped: Catalogue) -> None:
    for meter in shipped.meters:
        start = np.array([meter.starting_gpm])
        assert registration_ratio(0.99 * start, meter)[0] == 0
        assert registration_ratio(1.3 * start, meter)[0] > 0.85, meter.label


def test_meters_without_moving_parts_are_promised_nothing_below_q1(shipped: Catalogue) -> None:
    # STANDARD MEM-H: OIML R 49-1, Q1 is the lowest flow within the permitted error
    for kind in ("electromagnetic", "ultrasonic"):
        for meter in (m for m in shipped.meters if m.meter_type == kind):
            below = np.geomspace(0.01, 0.99, 30) * meter.min_test_gpm
            assert not registration_ratio(below, meter).any(), meter.label
