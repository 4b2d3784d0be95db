"""Curves from accuracy tests: recovered on planted fleets, shrunk where tests are few."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from pipelines.configuration.load_catalogue import load_catalogue
from rightsize.meters.catalogue import Meter
from rightsize.meters.curve import registration_ratio
from rightsize.meters.uncertainty.curve_samples import in_service_errors
from rightsize.meters.uncertainty.knots import knot_weights, knots_gpm
from rightsize.meters.uncertainty.shrinkage import (
    AccuracyTests,
    ShrunkCurves,
    age_band,
    shrunk_curves,
)

METERS = load_catalogue().meters
TURBINE = next(n for n, m in enumerate(METERS) if m.label == "2 in turbine")
DISC = next(n for n, m in enumerate(METERS) if m.label == "1 in displacement")
BENCH_SD = 0.005
SHRUNK = 0.002  # pull toward the generic mean and bench noise that 200 meters leave


@dataclass
class Fleet:
    tests: AccuracyTests
    truth: np.ndarray  # [K, 3]


def planted(
    count: int, *, index: int, mean: np.ndarray, sd: float, age: float, flows: int, seed: int
) -> Fleet:
    """PLANTED: a fleet whose knot errors are known, tested at `flows` flows each."""
    rng = np.random.default_rng(seed)
    meter: Meter = METERS[index]
    truth = mean + sd * rng.standard_normal((count, 3))
    at = np.array(knots_gpm(meter))[:flows] * 1.02
    curve = registration_ratio(at, meter) * (1 + truth @ knot_weights(at, meter))
    ratio = curve + BENCH_SD * rng.standard_normal(curve.shape)
    ids = tuple(f"{index}-{age:g}-{n}" for n in range(count) for _ in at)
    size = count * at.size
    return Fleet(
        AccuracyTests(
            ids, np.full(size, index), np.full(size, age), np.tile(at, count), ratio.ravel()
        ),
        truth,
    )


def joined(*fleets: Fleet) -> AccuracyTests:
    parts = [f.tests for f in fleets]
    return AccuracyTests(
        sum((p.meter_id for p in parts), ()),
        *(
            np.concatenate([getattr(p, n) for p in parts])
            for n in ("meter_index", "age_years", "flow_gpm", "ratio")
        ),
    )


def by_meter(got: ShrunkCurves, fleet: Fleet) -> np.ndarray:
    """Posterior errors in the order of the planted truth."""
    order = list(dict.fromkeys(fleet.tests.meter_id))
    return got.error[[got.meter_id.index(i) for i in order]]


MEAN = np.array([-0.08, -0.03, -0.01])


def test_a_planted_group_is_recovered() -> None:
    fleet = planted(200, index=TURBINE, mean=MEAN, sd=0.02, age=12, flows=3, seed=1)
    got = shrunk_curves(fleet.tests, METERS)
    group = got.group_error[(TURBINE, 2)]
    assert group == pytest.approx(fleet.truth.mean(axis=0), abs=SHRUNK)
    spread = np.sqrt(np.diag(got.group_covariance[(TURBINE, 2)]))
    assert spread == pytest.approx(0.02, abs=0.005)


def test_a_shrunk_curve_is_nearer_the_truth_than_the_bare_tests() -> None:
    fleet = planted(200, index=TURBINE, mean=MEAN, sd=0.003, age=12, flows=3, seed=2)
    got = by_meter(shrunk_curves(fleet.tests, METERS), fleet)
    meter = METERS[TURBINE]
    at = fleet.tests.flow_gpm.reshape(200, 3)[0]
    bare = fleet.tests.ratio.reshape(200, 3) / registration_ratio(at, meter) - 1
    bare_error = bare @ np.linalg.inv(knot_weights(at, meter))
    assert np.mean((got - fleet.truth) ** 2) < 0.8 * np.mean((bare_error - fleet.truth) ** 2)


def test_the_stated_spread_covers_the_truth() -> None:
    fleet = planted(300, index=TURBINE, mean=MEAN, sd=0.02, age=12, flows=3, seed=3)
    got = shrunk_curves(fleet.tests, METERS)
    sd = np.sqrt(got.covariance[:, [0, 1, 2], [0, 1, 2]])
    order = [got.meter_id.index(i) for i in dict.fromkeys(fleet.tests.meter_id)]
    z = (got.error[order] - fleet.truth) / sd[order]
    assert (np.abs(z) < 1.645).mean() == pytest.approx(0.90, abs=0.05)


def test_precise_tests_override_the_curve() -> None:
    fleet = planted(
        2, index=DISC, mean=np.array([-0.3, -0.1, 0.02]), sd=0, age=3, flows=3, seed=4
    )
    got = shrunk_curves(fleet.tests, METERS, bench_sd=1e-5)
    meter = got.meter(0, METERS)
    at = fleet.tests.flow_gpm[:3]
    assert registration_ratio(at, meter) == pytest.approx(fleet.tests.ratio[:3], abs=1e-3)


def test_one_meter_with_one_flow_leans_on_what_is_known_of_its_type() -> None:
    fleet = planted(1, index=DISC, mean=np.zeros(3), sd=0, age=3, flows=1, seed=5)
    got = shrunk_curves(fleet.tests, METERS)
    generic, covariance = in_service_errors(METERS[DISC])
    assert got.error[0, 0] > generic[0]  # the test said better than the generic fall
    assert got.covariance[0, 0, 0] < covariance[0, 0]
    assert got.covariance[0, 2, 2] > 4 * got.covariance[0, 0, 0]  # the top was not tested


def test_groups_by_age_differ_where_the_tests_say_so() -> None:
    young = planted(60, index=DISC, mean=np.zeros(3), sd=0.01, age=2, flows=3, seed=6)
    old = planted(60, index=DISC, mean=MEAN, sd=0.01, age=17, flows=3, seed=7)
    got = shrunk_curves(joined(young, old), METERS)
    assert got.group_error[(DISC, 0)] == pytest.approx([0, 0, 0], abs=0.01)
    assert got.group_error[(DISC, 3)] == pytest.approx(MEAN, abs=0.01)


def test_a_small_group_leans_on_its_type() -> None:
    """One meter says little of its group where meters of the type differ much."""
    many = planted(100, index=DISC, mean=MEAN, sd=0.03, age=17, flows=3, seed=8)
    alone = planted(1, index=DISC, mean=np.zeros(3), sd=0, age=2, flows=3, seed=9)
    few = planted(30, index=DISC, mean=np.zeros(3), sd=0.03, age=2, flows=3, seed=9)
    one, thirty = (
        shrunk_curves(joined(many, f), METERS).group_error[(DISC, 0)] for f in (alone, few)
    )
    assert MEAN[0] < one[0] < 0.1 * MEAN[0]
    assert thirty[0] == pytest.approx(few.truth.mean(axis=0)[0], abs=0.005)


def test_what_all_meters_of_a_group_share_is_laid_to_the_group() -> None:
    """Eight meters that register a tenth less speak for the ninth."""
    slow = planted(8, index=TURBINE, mean=np.full(3, -0.1), sd=0.0, age=12, flows=3, seed=10)
    group = shrunk_curves(slow.tests, METERS).group_error[(TURBINE, 2)]
    assert group == pytest.approx([-0.1, -0.1, -0.1], abs=0.01)


def test_two_groups_of_a_type_may_differ_by_much() -> None:
    old = planted(8, index=DISC, mean=np.full(3, -0.1), sd=0.01, age=17, flows=3, seed=11)
    new = planted(8, index=DISC, mean=np.zeros(3), sd=0.01, age=2, flows=3, seed=12)
    got = shrunk_curves(joined(old, new), METERS).group_error
    assert got[(DISC, 0)] == pytest.approx(new.truth.mean(axis=0), abs=0.01)
    assert got[(DISC, 3)] == pytest.approx(old.truth.mean(axis=0), abs=0.01)


def test_the_order_of_the_tests_changes_nothing() -> None:
    fleet = planted(20, index=DISC, mean=MEAN, sd=0.02, age=8, flows=3, seed=10)
    order = np.random.default_rng(1).permutation(len(fleet.tests.meter_id))
    shuffled = AccuracyTests(
        tuple(fleet.tests.meter_id[n] for n in order),
        *(
            getattr(fleet.tests, n)[order]
            for n in ("meter_index", "age_years", "flow_gpm", "ratio")
        ),
    )
    one, two = shrunk_curves(fleet.tests, METERS), shrunk_curves(shuffled, METERS)
    assert one.meter_id == two.meter_id
    np.testing.assert_allclose(one.error, two.error, atol=1e-10)


def test_a_test_below_the_start_says_nothing_of_the_curve() -> None:
    fleet = planted(3, index=DISC, mean=MEAN, sd=0.01, age=8, flows=3, seed=12)
    extra = AccuracyTests(
        (*fleet.tests.meter_id, fleet.tests.meter_id[0]),
        np.append(fleet.tests.meter_index, DISC),
        np.append(fleet.tests.age_years, 8.0),
        np.append(fleet.tests.flow_gpm, 1e-3),
        np.append(fleet.tests.ratio, 0.0),
    )
    np.testing.assert_allclose(
        shrunk_curves(extra, METERS).error, shrunk_curves(fleet.tests, METERS).error
    )


def test_age_bands_include_their_lower_end() -> None:
    assert age_band(np.array([0, 4.9, 5, 19.9, 20, 70])).tolist() == [0, 0, 1, 3, 4, 4]


@pytest.mark.parametrize(
    ("field", "value", "words"),
    [
        ("flow_gpm", np.zeros(3), "flow_gpm: must be above 0"),
        ("ratio", np.full(3, 98.0), "ratio: must be registered over actual"),
        ("age_years", np.zeros(2), "age_years: must have 3 rows"),
    ],
)
def test_tests_that_cannot_be_are_refused(field: str, value: np.ndarray, words: str) -> None:
    good = planted(1, index=DISC, mean=MEAN, sd=0, age=8, flows=3, seed=13).tests
    fields = {n: getattr(good, n) for n in good.__dataclass_fields__}
    with pytest.raises(ValueError, match=words):
        AccuracyTests(**{**fields, field: value})


def test_a_type_is_the_middle_of_its_groups_not_of_its_meters() -> None:
    """HAND: 200 meters at -0.1 and 10 at 0 are two groups, known well: their middle is -0.05.

    A third group of one meter, tested at one flow, leans on that middle at the other two knots.
    """
    many = planted(200, index=DISC, mean=np.full(3, -0.1), sd=0.01, age=17, flows=3, seed=21)
    few = planted(10, index=DISC, mean=np.zeros(3), sd=0.01, age=7, flows=3, seed=22)
    one = planted(1, index=DISC, mean=np.full(3, -0.05), sd=0.0, age=2, flows=1, seed=23)
    got = shrunk_curves(joined(many, few, one), METERS).group_error[(DISC, 0)]
    assert got[1:] == pytest.approx([-0.05, -0.05], abs=0.005)
