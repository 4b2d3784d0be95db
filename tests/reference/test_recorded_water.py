"""Promises against recorded water: a small fleet of the days that judge, on every run.

Flat in Naples: Water End USE Dataset and TOols (WEUSEDTO), CC BY 4.0. Home in Utah: UCHIC
CIWS-Data, BSD 3-clause. See `tests/fleets/recordings/README.md`.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.fleets import recordings
from tests.fleets.calibration import cards

SMALL = {"recorded water": (("recorded", 3),)}


@pytest.fixture(scope="module")
def figures():
    return cards(SMALL, per_kind=2, intervals=(60.0,))["recorded water"][60.0].figures


def test_days_that_judge_set_nothing():
    one, other = (recordings.flat_days(half) for half in recordings.HALVES)
    assert len(one) + len(other) == 83
    sums = [{round(float(flow.sum()), 3) for _, flow in half} for half in (one, other)]
    assert not sums[0] & sums[1]


def test_a_year_keeps_the_volume_of_its_days():
    days = [float(flow.sum()) / 6 for _, flow in recordings.flat_days("judge")]
    _, flow = recordings.flat_year("judge", np.random.default_rng(1))
    assert flow.sum() / 6 / 365 == pytest.approx(np.mean(days), rel=0.15)


def test_copies_do_not_draw_in_the_same_second():
    rng = np.random.default_rng(1)
    one = recordings.service_year("judge", rng, flats=1, homes=0)
    many = recordings.service_year("judge", rng, flats=40, homes=0)
    assert many.max() < 10 * one.max()


def test_no_pick_is_overrun_and_none_is_falsely_called_undersized(figures):
    assert figures["overrun_pct"] == 0
    assert figures["false_undersized_pct"] == 0


def test_what_is_promised_comes(figures):
    # ten accounts, four changes: wider than the page's floor, which needs a larger fleet
    assert 0.5 < figures["promised_over_true"] < 2.0


def test_ranges_hold_the_truth(figures):
    assert figures["gain_in_pct"] >= 70
    assert figures["peak_in_pct"] >= 70
