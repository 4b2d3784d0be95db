"""Wear: always told by the utility, by age or volume, with a range."""

from __future__ import annotations

import inspect

import numpy as np
import pytest

from rightsize.meters.catalogue import Catalogue
from rightsize.meters.curve import registration_ratio
from rightsize.meters.uncertainty.wear import Range, Wear, worn_meter

RATE = Wear(
    per="year",
    low_flow_loss_pct=Range(0.1, 0.5, 1.0),
    normal_loss_pct=Range(0.0, 0.1, 0.2),
    start_rise_pct=Range(0.0, 3.0, 5.0),
)


def test_wear_has_no_default() -> None:
    for thing in (Wear, worn_meter):
        assert all(
            p.default is inspect.Parameter.empty
            for p in inspect.signature(thing).parameters.values()
        )


def test_ten_years_by_hand(shipped: Catalogue) -> None:
    # HAND: 10 x 0.5 points at the minimum test flow, 10 x 0.1 in the normal range, start
    # 0.05 x 1.03^10 = 0.067196
    new = shipped.find("displacement", 0.625)
    old = worn_meter(new, RATE, amount=10, place="middle")
    at = np.array([new.min_test_gpm, new.normal_min_gpm, new.smoc_gpm])
    assert registration_ratio(at, new) - registration_ratio(at, old) == pytest.approx(
        [0.05, 0.01, 0.01]
    )
    assert old.starting_gpm == pytest.approx(0.067196, abs=1e-6)


def test_what_is_lost_below_the_minimum_test_flow_grows_as_the_law_of_the_type(
    shipped: Catalogue,
) -> None:
    # HAND: 5 points at the minimum test flow; at half of it 10 of a disc (slip), 20 of a rotor
    for kind, size, lost in (("displacement", 1, 0.10), ("turbine", 2, 0.20)):
        new = shipped.find(kind, size)
        old = worn_meter(new, RATE, amount=10, place="middle")
        at = np.array([new.min_test_gpm / 2])
        points = np.array(new.registration), np.array(old.registration)
        before, after = (np.interp(np.log(at), np.log(p[:, 0]), p[:, 1]) for p in points)
        assert before - after == pytest.approx(lost, abs=0.012)


def test_no_wear_is_the_new_curve(shipped: Catalogue) -> None:
    new = shipped.find("turbine", 3)
    same = worn_meter(new, RATE, amount=0, place="high")
    np.testing.assert_allclose(same.registration, new.registration)


def test_a_higher_rate_never_registers_more(shipped: Catalogue) -> None:
    flow = np.geomspace(0.01, 1000, 500)
    for meter in shipped.meters:
        low, middle, high = (
            registration_ratio(flow, worn_meter(meter, RATE, amount=12, place=place))
            for place in ("low", "middle", "high")
        )
        assert (low >= middle - 1e-12).all()
        assert (middle >= high - 1e-12).all()


def test_ratios_stay_on_the_scale(shipped: Catalogue) -> None:
    old = worn_meter(shipped.find("displacement", 2), RATE, amount=500, place="high")
    ratios = [a for _, a in old.registration]
    assert min(ratios) == 0
    assert max(ratios) <= 1.1


def test_wear_that_cannot_be_is_refused(shipped: Catalogue) -> None:
    with pytest.raises(ValueError, match="must not be negative"):
        worn_meter(shipped.meters[0], RATE, amount=-1, place="low")
    with pytest.raises(ValueError, match="a range must increase"):
        Range(2, 1, 3)
