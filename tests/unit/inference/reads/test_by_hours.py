"""Short reads of coarse registers: what they tell must not depend on step and interval.

PLANTED: sites simulated at 10 s behind turbines too large for them; every block of reads comes
from one and the same registered flow.
"""

from __future__ import annotations

import numpy as np
import pytest

from pipelines.configuration.load_catalogue import load_catalogue
from pipelines.configuration.load_priors import load_priors
from rightsize.inference.infer import infer
from rightsize.inference.reads.by_hours import read_by_hours
from rightsize.inference.reads.signs import rounding_of
from tests.fleets import reduce, simulate, sites
from tests.fleets.fleet import registered_flow

KINDS = (
    sites.restaurant, sites.retail, sites.apartments, sites.hospital, sites.cooled_office,
    sites.restaurant,
)  # fmt: skip
INTERVALS, STEPS_GAL = (60.0, 15.0), (1.0, 10.0, 74.8, 100.0)
SEED = 33
STEP_TOLERANCE = 0.2  # [1] of unregistered volume: what coarse steps hide the class fills in


@pytest.fixture(scope="module")
def meters():
    return tuple(load_catalogue().meters)


@pytest.fixture(scope="module")
def read(meters):
    """Blocks by interval and step, of one set of flows behind turbines of 3 and 4 in."""
    rng = sites.FleetRandom(SEED)
    too_large = [
        next(k for k, m in enumerate(meters) if m.meter_type == "turbine" and m.size_in == size)
        for size in (3, 4)
    ]
    rows = {(t, s): [] for t in INTERVALS for s in STEPS_GAL}
    classes, index = [], []
    for k, kind in enumerate(KINDS):
        site = kind(rng)
        index.append(too_large[k % 2])
        classes.append(site.customer_class)
        registered = registered_flow(simulate.flow_10s(site, rng), meters[index[-1]])
        for (interval_min, step_gal), found in rows.items():
            gal = reduce.reads_of(
                registered, interval_min=interval_min, resolution_gal=step_gal
            )
            found.append(
                reduce.statistics(gal, interval_min=interval_min, resolution_gal=step_gal)
            )
    return {
        key: reduce.block_of(
            found, ids=[f"{k}" for k in range(len(KINDS))], classes=classes, meter_index=index
        )
        for key, found in rows.items()
    }


@pytest.fixture(scope="module")
def unregistered(read, meters):
    """Estimated volume that no register showed, of all sites together [gal/year]."""
    priors = load_priors()

    def lost(block):
        found = infer(block, meters, priors, samples=64, seed=1, learnt=None)
        return (found.actual_gal_per_year - found.installed_gal_per_year).mean(axis=0).sum()

    return {key: lost(block) for key, block in read.items()}


@pytest.mark.parametrize("step_gal", STEPS_GAL)
@pytest.mark.parametrize("interval_min", INTERVALS)
def test_unregistered_volume_does_not_hang_on_register_step_and_interval(
    unregistered, interval_min, step_gal
):
    fine = unregistered[60.0, 1.0]
    assert unregistered[interval_min, step_gal] == pytest.approx(fine, rel=STEP_TOLERANCE)


def test_hours_of_coarse_short_reads_are_those_of_hourly_reads(read):
    short, hourly = read[15.0, 100.0], read[60.0, 100.0]
    found = read_by_hours(short, rounding_of(short))
    assert (found.interval_min == 60).all()
    np.testing.assert_array_equal(found.band_count, hourly.band_count)
    np.testing.assert_array_equal(found.zero_count, hourly.zero_count)
    np.testing.assert_allclose(found.reads_used, hourly.reads_used)
    np.testing.assert_allclose(found.within_dof, hourly.within_dof)
    np.testing.assert_allclose(found.slot_ss, hourly.slot_ss)
    np.testing.assert_allclose(found.max_interval_gpm, hourly.max_interval_gpm)
    # the profile holds lags over all intervals, an hour's own lie inside it
    np.testing.assert_allclose(found.within_ss, hourly.within_ss, rtol=0.25)


def test_fine_steps_and_hourly_reads_stay_as_they_are(read):
    for key in ((15.0, 1.0), (60.0, 1.0), (60.0, 100.0)):
        assert read_by_hours(read[key], rounding_of(read[key])) is read[key]


def test_reads_without_full_hours_stay_as_they_are(read):
    short = read[15.0, 100.0]
    bare = type(short)(**(vars(short) | {"hour_count": np.zeros_like(short.hour_count)}))
    assert read_by_hours(bare, rounding_of(bare)) is bare
