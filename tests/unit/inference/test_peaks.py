"""The largest flows, against hand arithmetic and limits."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pipelines.configuration.load_priors import load_priors
from rightsize.contracts.profiles import ProfileBlock
from rightsize.demand.bands import BAND_COUNT, BAND_EDGES_GPM, band_of
from rightsize.inference.peaks import crowding_of, peak_10s, sustained_registered
from rightsize.inference.spread import Flow, Reads

PRIORS = load_priors()
TOP = 80  # the band of the largest hour of 8760, which stands at its lower edge
LARGEST_GPM = BAND_EDGES_GPM[TOP]
ONE = np.ones((1, 1))


def block(**changes):
    """A year of hourly reads: all but one in band 60, one in band `TOP`."""
    count = np.zeros((1, BAND_COUNT))
    count[0, 60], count[0, TOP] = 8759, 1
    values = {f.name: np.zeros(1) for f in fields(ProfileBlock)} | {
        "account_id": ("a",),
        "meter_id": ("m",),
        "customer_class": ("office",),
        "interval_min": np.array([60.0]),
        "resolution_gal": np.array([0.0]),
        "days_covered": np.array([365.0]),
        "band_count": count,
        "hour_count": count,
        "max_interval_gpm": BAND_EDGES_GPM[[TOP]],
        "peak_register_gpm": np.array([np.nan]),
    }
    return ProfileBlock(**(values | changes))


def flow(within=2.0):
    """Flow of which the peak stands so many times above the largest mean."""
    none = np.zeros((1, 1, BAND_COUNT))
    return Flow(none, ONE, np.zeros((1, 1, 2)), 10.0 * within * ONE, 10.0 * ONE)


def peak(
    of,
    *,
    within=2.0,
    registration=1.0,
    lift=1.0,
    crowding=1.0,
    most=1e9,
    uniform=0.5,
    noise=0.0,
):
    return float(
        peak_10s(
            of,
            flow(within),
            registration * ONE,
            lift * ONE,
            crowding * ONE,
            most * ONE,
            uniform * ONE,
            noise * ONE,
        )[0, 0]
    )


def test_the_middle_peak_is_the_largest_interval_times_what_stands_above_it():
    """HAND: largest mean x 2, no bunching, no error."""
    assert peak(block()) == pytest.approx(2 * LARGEST_GPM, rel=1e-9)
    assert peak(block(), lift=0.0) == pytest.approx(LARGEST_GPM, rel=1e-9)


def test_the_largest_of_a_year_of_hours_is_taken_as_it_is():
    """HAND: 0.001 % of 8,760 hours is less than one: the largest counts, not its band."""
    largest = np.sqrt(BAND_EDGES_GPM[TOP] * BAND_EDGES_GPM[TOP + 1])
    of = block(max_interval_gpm=np.array([largest]))
    assert peak(of, within=1.0) == pytest.approx(largest, rel=1e-9)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(0.1, 1.5))
@example(seed=179, log_sd=1.25)
def test_the_flow_of_minutes_a_year_is_where_the_reads_themselves_have_it(seed, log_sd):
    """AGAINST the sorted reads: within the width of its band."""
    mean_gpm = 5.0 * np.exp(log_sd * np.random.default_rng(seed).standard_normal(525_600))
    count = np.bincount(band_of(mean_gpm), minlength=BAND_COUNT)[None].astype(float)
    of = block(
        interval_min=np.array([1.0]),
        band_count=count,
        max_interval_gpm=np.array([mean_gpm.max()]),
    )
    below, above = np.sort(mean_gpm)[[-6, -5]]  # 1e-5 of a year are 5.3 reads of a minute
    assert below / 1.13 <= peak(of, within=1.0) <= above * 1.13


def test_a_meter_that_counts_nine_tenths_hid_a_tenth_of_the_peak():
    assert peak(block(), registration=0.9) == pytest.approx(peak(block()) / 0.9)


def test_bunched_demand_raises_the_mean_by_the_factor_and_the_rest_by_its_root():
    """HAND: mean m and peak 2 m under a factor of 1.44: 1.44 m + 1.2 m."""
    m = LARGEST_GPM
    assert peak(block(), crowding=1.44) == pytest.approx((1.44 + 1.2) * m)


def test_a_rounded_interval_lay_below_its_reading():
    """HAND: 60 gal steps read hourly are 1 gpm: the mean lay up to 1 gpm lower."""
    coarse = block(resolution_gal=np.array([60.0]))
    assert peak(coarse, noise=1.0) == pytest.approx(2 * (LARGEST_GPM - 1.0))
    assert peak(coarse, noise=0.0) == pytest.approx(2 * LARGEST_GPM)


@settings(max_examples=40, deadline=None)
@given(st.floats(0.01, 0.99), st.floats(1.0, 5.0), st.floats(1.0, 2.0), st.floats(0.6, 1.1))
def test_the_peak_rises_with_what_it_rests_on(uniform, within, crowding, registration):
    """MONOTONE, and never below the largest interval where that lasts."""
    told = {"within": within, "crowding": crowding, "registration": registration}
    middle = peak(block(), uniform=uniform, **told)
    assert peak(block(), uniform=min(uniform + 0.005, 0.999), **told) >= middle
    assert peak(block(), uniform=uniform, **(told | {"within": within + 1})) > middle
    assert peak(block(), uniform=uniform, **(told | {"crowding": crowding + 0.1})) >= middle
    assert middle >= 0.98 * LARGEST_GPM / registration - 1e-9


def test_a_register_that_reports_its_peak_is_believed_and_a_silent_one_is_not_asked():
    """HAND: the peak lies between 0.75 and 1 of the reported flow."""
    told = block(peak_register_gpm=np.array([400.0]))
    assert peak(told, uniform=0.0001) == pytest.approx(300.0, rel=1e-3)
    assert peak(told, uniform=0.9999) == pytest.approx(400.0, rel=1e-3)
    assert peak(block(peak_register_gpm=np.array([0.0]))) == peak(block())


@pytest.mark.parametrize("uniform", [0.05, 0.95])
def test_nine_of_ten_hours_bunch_by_less_than_the_class_says(uniform):
    """ANALYTIC: |z| of 1.645 is what nine of ten stay below."""
    found = crowding_of(block(), PRIORS, uniform * ONE)
    assert found[0, 0] == pytest.approx(PRIORS.of("office").crowding, rel=1e-4)


def test_demand_bunches_less_in_short_intervals_and_not_at_all_in_the_middle():
    hour, minute = (block(interval_min=np.array([t])) for t in (60.0, 1.0))
    assert crowding_of(hour, PRIORS, 0.5 * ONE)[0, 0] == 1.0
    at_hour, at_minute = (crowding_of(b, PRIORS, 0.9 * ONE)[0, 0] for b in (hour, minute))
    assert 1 < at_minute < at_hour
    assert np.log(at_hour) == pytest.approx(60 * np.log(at_minute))


def reads_of(of):
    share = of.band_count / of.band_count.sum()
    return Reads(
        np.concatenate([[[0.0]], np.cumsum(share, axis=1)], axis=1), np.zeros(1), ONE[0] > 2
    )


def test_flow_sustained_half_a_percent_of_the_hours():
    """HAND: 1 % of hours in one band: its geometric middle is exceeded by 0.5 %."""
    count = np.zeros((1, BAND_COUNT))
    count[0, 60], count[0, 90] = 8760 * 0.99, 8760 * 0.01
    found = sustained_registered(block(hour_count=count), reads_of(block()))
    assert found[0] == pytest.approx(np.sqrt(BAND_EDGES_GPM[90] * BAND_EDGES_GPM[91]), rel=1e-9)


def test_a_flow_of_fewer_hours_is_not_sustained():
    """HAND: 0.4 % of hours are too few: the band below counts."""
    count = np.zeros((1, BAND_COUNT))
    count[0, 60], count[0, 90] = 8760 * 0.996, 8760 * 0.004
    found = sustained_registered(block(hour_count=count), reads_of(block()))
    assert BAND_EDGES_GPM[60] <= found[0] <= BAND_EDGES_GPM[61]


def test_reads_of_a_day_are_spread_over_their_hours():
    daily = replace(block(), interval_min=np.array([1440.0]))
    found = sustained_registered(daily, reads_of(block()))
    assert BAND_EDGES_GPM[60] <= found[0] <= BAND_EDGES_GPM[61]


@pytest.mark.parametrize("uniform", [0.05, 0.5, 0.95])
def test_no_peak_passes_what_pressure_lets_through_but_what_the_meter_has_shown(uniform):
    most = 1.2 * LARGEST_GPM
    assert peak(block(), most=most, uniform=uniform) <= most * (1 + 1e-9)
    shown = peak(block(), most=0.5 * LARGEST_GPM, uniform=uniform)
    assert shown == pytest.approx(0.98 * LARGEST_GPM, rel=1e-6)
