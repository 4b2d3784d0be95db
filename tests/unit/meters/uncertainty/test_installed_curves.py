"""Which curve an installed meter gets: its own tests, its group's, the stated wear, or none."""

from __future__ import annotations

import numpy as np
import pytest
from pydantic import ValidationError

from rightsize.meters.catalogue import Catalogue
from rightsize.meters.curve import registration_ratio
from rightsize.meters.uncertainty.installed_curves import InstalledCurves, installed_curves
from rightsize.meters.uncertainty.shrinkage import AccuracyTests, shrunk_curves
from rightsize.meters.uncertainty.wear import WearRate

RATE = WearRate(
    low_flow_loss_pct_per_year=(0.5, 1.0, 2.0),
    normal_loss_pct_per_year=(0.1, 0.2, 0.4),
    start_rise_pct_per_year=(0, 5, 10),
    source="PLANTED",
)


@pytest.fixture(scope="module")
def rows(shipped: Catalogue) -> dict[str, int]:
    return {m.label: n for n, m in enumerate(shipped.meters)}


def accuracy_tests(row: int, count: int, *, age: float, ratio: float, catalogue: Catalogue):
    """PLANTED: meters that register `ratio` of the catalogue's curve at three flows."""
    meter = catalogue.meters[row]
    flow = np.array([1.1 * meter.min_test_gpm, 1.1 * meter.normal_min_gpm, meter.smoc_gpm / 2])
    size = count * len(flow)
    return AccuracyTests(
        tuple(f"T{n}" for n in range(count) for _ in flow),
        np.full(size, row),
        np.full(size, age),
        np.tile(flow, count),
        np.tile(ratio * registration_ratio(flow, meter), count),
    )


@pytest.fixture(scope="module")
def told(shipped: Catalogue, rows: dict[str, int]) -> InstalledCurves:
    tests = accuracy_tests(rows["2 in turbine"], 8, age=12, ratio=0.9, catalogue=shipped)
    wear = {"displacement": RATE.wear(), "turbine": RATE.wear()}
    in_use = [rows["2 in turbine"], rows["1 in displacement"], rows["2 in compound"]]
    return installed_curves(shipped.meters, shrunk_curves(tests, shipped.meters), wear, in_use)


def at(told: InstalledCurves, name: str, row: int, age: float) -> int:
    return int(told.place([name], np.array([row]), np.array([age]))[0])


def ratio(told: InstalledCurves, place: int, flow_gpm: float) -> float:
    return float(registration_ratio(np.array([flow_gpm]), told.meters[place])[0])


def test_a_tested_meter_has_the_curve_of_its_tests(told, rows, shipped) -> None:
    place = at(told, "T3", rows["2 in turbine"], 12)
    new = shipped.meters[rows["2 in turbine"]]
    expected = 0.9 * registration_ratio(np.array([40.0]), new)[0]
    assert ratio(told, place, 40.0) == pytest.approx(expected, abs=0.01)


def test_an_untested_meter_of_the_group_leans_on_it_and_is_less_sure(told, rows) -> None:
    own, group = (at(told, n, rows["2 in turbine"], 12) for n in ("T3", "other"))
    assert own != group
    assert ratio(told, group, 40.0) == pytest.approx(ratio(told, own, 40.0), abs=0.02)
    sd = np.sqrt(np.diagonal(told.covariance, axis1=1, axis2=2))
    assert (sd[group] > sd[own]).all()


def test_an_age_without_tests_has_the_stated_wear(told, rows, shipped) -> None:
    new = shipped.meters[rows["2 in turbine"]]
    place = at(told, "other", rows["2 in turbine"], 3.1)
    assert told.meters[place].starting_gpm == pytest.approx(new.starting_gpm * 1.05**3)
    assert ratio(told, place, 40.0) == pytest.approx(  # HAND: 3 years at 0.2 points
        registration_ratio(np.array([40.0]), new)[0] - 0.006
    )


def test_what_nothing_speaks_of_keeps_the_catalogue(told, rows) -> None:
    assert at(told, "other", rows["2 in compound"], 12) == -1  # no tests, no stated wear
    assert at(told, "other", rows["1 in displacement"], np.nan) == -1  # age not known
    assert at(told, "other", rows["1 in displacement"], 0.1) == -1  # new
    assert at(told, "other", -1, 12) == -1
    assert at(told, "T3", rows["1 in displacement"], 0) == -1  # tested as another meter


def test_one_tested_meter_does_not_speak_for_its_group(shipped, rows) -> None:
    row = rows["2 in turbine"]
    for count, speaks in ((1, False), (2, False), (3, True)):
        tests = accuracy_tests(row, count, age=12, ratio=0.9, catalogue=shipped)
        told = installed_curves(shipped.meters, shrunk_curves(tests, shipped.meters), {}, [row])
        assert at(told, "T0", row, 12) >= 0
        assert (at(told, "other", row, 12) >= 0) == speaks


def test_places_do_not_depend_on_order(told, rows) -> None:
    names = ["other", "T3", "x", "y"]
    row = np.array([rows["2 in turbine"], rows["2 in turbine"], -1, rows["1 in displacement"]])
    age = np.array([12, 12, np.nan, 20])
    whole = told.place(names, row, age)
    back = told.place(names[::-1], row[::-1], age[::-1])
    np.testing.assert_array_equal(whole, back[::-1])
    assert (whole >= 0).tolist() == [True, True, False, True]


def test_wear_widens_with_age(told, rows) -> None:
    young, old = (at(told, "y", rows["1 in displacement"], age) for age in (2, 20))
    assert np.trace(told.covariance[old]) > 2 * np.trace(told.covariance[young])


@pytest.mark.parametrize(
    ("rates", "said"),
    [
        ({"low_flow_loss_pct_per_year": (2, 1, 3)}, "must increase"),
        ({"normal_loss_pct_per_year": (0, 1, 300)}, "within 20 % per year"),
        ({"source": ""}, "at least 1 character"),
    ],
)
def test_rates_that_cannot_be_meant_are_refused(rates: dict, said: str) -> None:
    with pytest.raises(ValidationError, match=said):
        WearRate.model_validate({**RATE.model_dump(), **rates})


def test_there_is_no_default_rate() -> None:
    with pytest.raises(ValidationError, match="Field required"):
        WearRate.model_validate({"source": "none"})
