"""Curves of meters in the ground, by age."""

from __future__ import annotations

import numpy as np
import pytest

from pipelines.configuration.load_catalogue import load_catalogue
from pipelines.configuration.load_priors import load_priors
from rightsize.inference.infer import infer
from rightsize.inference.meter.censoring import learn_from, steady_by_class
from rightsize.inference.meter.ground import (
    OLD_DRIFT,
    OLD_FROM_YEARS,
    OWN_STATES,
    YOUNG_BELOW_YEARS,
    ground_rows,
    ground_table,
)
from rightsize.inference.meter.registered_table import TABLE_FLOW_GPM
from rightsize.inference.meter.service import ServiceRecord
from rightsize.meters.principles import principle_of
from rightsize.meters.uncertainty.installed_curves import InstalledCurves, PlacedCurves
from tests.fleets.fleet import simulate_fleet

METERS = tuple(load_catalogue().meters)
SAMPLES = 64
TABLE = ground_table(METERS, SAMPLES, 1)
EVERY = np.arange(len(METERS))
AGES = {"young": 2.0, "middle": 7.0, "unknown": np.nan, "old": 20.0}


def rows_of(age: float) -> list[np.ndarray]:
    """Rows of each entry of the catalog at an age."""
    first, count = ground_rows(EVERY, np.full(len(METERS), age))
    return [f + np.arange(n) for f, n in zip(first, count, strict=True)]


def lost_at_least_flow(age: float) -> np.ndarray:
    """Mean share of the minimum test flow that each entry's meters do not register."""
    at = [int(np.searchsorted(TABLE_FLOW_GPM, m.min_test_gpm)) for m in METERS]
    return np.array(
        [1 - TABLE.ratio[:, rows, k].mean() for rows, k in zip(rows_of(age), at, strict=True)]
    )


def test_every_row_stands_for_one_entry_and_age() -> None:
    """LAW: rows of the three ages part the table; an unknown age is a middle one."""
    young, middle, old = (np.concatenate(rows_of(AGES[a])) for a in ("young", "middle", "old"))
    np.testing.assert_array_equal(
        np.sort([*young, *middle, *old]), np.arange(TABLE.ratio.shape[1])
    )
    np.testing.assert_array_equal(middle, np.concatenate(rows_of(np.nan)))
    assert (len(young), len(old)) == (len(METERS), OWN_STATES * len(METERS))


@pytest.mark.parametrize(
    ("age", "like"),
    [(0.0, "young"), (np.nextafter(YOUNG_BELOW_YEARS, 0), "young"),
     (YOUNG_BELOW_YEARS, "middle"), (np.nextafter(OLD_FROM_YEARS, 0), "middle"),
     (OLD_FROM_YEARS, "old"), (90.0, "old"), (-0.5, "unknown")],
)  # fmt: skip
def test_the_ends_of_an_age(age, like) -> None:
    np.testing.assert_array_equal(
        np.concatenate(rows_of(age)), np.concatenate(rows_of(AGES[like]))
    )


def test_young_meters_lose_as_much_as_the_catalogs_on_average() -> None:
    known = [
        1 - float(np.interp(m.min_test_gpm, TABLE_FLOW_GPM, TABLE.known[rows[0]]))
        for m, rows in zip(METERS, rows_of(2.0), strict=True)
    ]
    np.testing.assert_allclose(lost_at_least_flow(2.0), known, rtol=0.15, atol=0.0006)


def test_meters_with_moving_parts_lose_more_with_age_and_others_do_not() -> None:
    """LAW: by age, at every entry."""
    middle, old = lost_at_least_flow(7.0), lost_at_least_flow(20.0)
    moves = np.array([principle_of(m.meter_type).has_moving_part for m in METERS])
    assert (old[moves] > middle[moves] + 0.002).all()
    np.testing.assert_allclose(old[~moves], middle[~moves], atol=1e-6)
    later = [
        np.log(TABLE.start_gpm[:, o] / TABLE.start_gpm[:, m]).mean()
        for o, m in zip(rows_of(20.0), rows_of(7.0), strict=True)
    ]
    np.testing.assert_allclose(later, np.where(moves, OLD_DRIFT, 0.0), atol=1e-5)


@pytest.fixture(scope="module")
def fleet():
    """A block of sites, and how to infer their flow behind meters of one age."""
    _, blocks = simulate_fleet(31, sites_per_kind=1, meters=METERS, intervals=(60.0,))
    block, priors = blocks[60.0], load_priors()
    learnt = learn_from([steady_by_class([block], METERS, priors)], priors)
    unknown = np.full(block.size, np.nan)

    def actual(age: float, told: PlacedCurves | None = None) -> np.ndarray:
        found = infer(
            block, METERS, priors, samples=SAMPLES, seed=1, learnt=learnt, installed=told,
            services=ServiceRecord(unknown, unknown, np.full(block.size, age)),
        )  # fmt: skip
        return found.actual_gal_per_year.mean(axis=0)

    return block, actual


def test_an_older_meter_is_taken_to_have_missed_more_of_the_same_reads(fleet) -> None:
    """LAW: the same reads, behind meters of three ages: actual flow rises with the age."""
    block, actual = fleet
    young, middle, old = (actual(AGES[a]) for a in ("young", "middle", "old"))
    moves = np.array(
        [principle_of(METERS[k].meter_type).has_moving_part for k in block.meter_index]
    )
    assert moves.sum() >= 5
    assert (old[moves] > middle[moves]).all()
    np.testing.assert_allclose(old[~moves], middle[~moves])
    assert np.mean(young < middle) > 0.7
    np.testing.assert_array_equal(actual(np.nan), middle)


def test_a_tested_meter_is_not_aged_once_more(fleet) -> None:
    """LAW: tests and stated wear tell a curve as it is; what age would add is left out."""
    block, actual = fleet
    curve = InstalledCurves(
        (METERS[int(block.meter_index[0])],), np.full((1, 3, 3), 1e-6), {}, {}, {}
    )
    told = PlacedCurves(curve, np.where(np.arange(block.size) == 0, 0, -1))
    old, unknown = actual(20.0, told), actual(np.nan, told)
    assert old[0] == pytest.approx(unknown[0], rel=1e-7)
    assert np.any(old[1:] > unknown[1:])
