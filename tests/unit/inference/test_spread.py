"""Interval means spread into flows, against closed forms of compound Poisson flow.

In an interval of mean m, uses of intensity a and coefficient of variation c that run together
are Poisson with mean m / a: idle share exp(-m / a), variance m a (1 + c^2), mean m.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rightsize.demand.bands import BAND_CENTRES_GPM, BAND_COUNT, BANDS_PER_DECADE, band_of
from rightsize.inference.meter.registered_table import TABLE_FLOW_GPM, RegisteredTable
from rightsize.inference.spread import PEAK_EXCEEDED, Reads, spread
from rightsize.inference.water_use.kernels import INTENSITY_CV, KernelKind, pulse_kernel
from rightsize.inference.water_use.use_edges import UseEdges

KERNEL = pulse_kernel(KernelKind(INTENSITY_CV))
NO_EDGES = UseEdges(np.ones((1, 1)), np.zeros((1, 1)), np.ones((1, 1)))


def meter(ratio=1.0, *, start_gpm=1e-4):
    whole = np.full((1, 1, len(TABLE_FLOW_GPM)), ratio, dtype=np.float32)
    start = np.array([[start_gpm]], dtype=np.float32)
    return RegisteredTable(whole, start, whole[0], start[0])


def reads_at(mean_gpm, *, zero=0.0):
    share = np.zeros(BAND_COUNT)
    share[band_of(np.array([mean_gpm]))[0]] = 1 - zero
    return Reads(
        np.concatenate([[0], np.cumsum(share)])[None], np.array([zero]), np.array([False])
    )


def spread_of(reads, *, use_gpm, table=None, steady_gpm=0.0):
    return spread(
        reads,
        band=band_of(np.array([[use_gpm]])),
        kernels=(KERNEL,),
        kernel=np.zeros((1, 1), dtype=np.int64),
        steady_gpm=np.full((1, 1), steady_gpm, dtype=np.float32),
        edges=NO_EDGES,
        table=table or meter(),
        installed=np.array([0]),
    )


def moments(flow):
    time = flow.time_share[0, 0]
    mean = float(time @ BAND_CENTRES_GPM)
    return mean, float(time @ BAND_CENTRES_GPM**2) - mean**2


@pytest.mark.parametrize("use_gpm", [1.0, 3.0, 10.0])
@pytest.mark.parametrize("uses", [0.3, 1.0, 4.0])
def test_flow_inside_an_interval_is_compound_poisson(use_gpm, uses):
    """ANALYTIC: mean, variance and idle share of m / a uses on average."""
    mean_gpm = float(BAND_CENTRES_GPM[band_of(np.array([uses * use_gpm]))[0]])
    a_gpm = float(BAND_CENTRES_GPM[band_of(np.array([use_gpm]))[0]])
    flow = spread_of(reads_at(mean_gpm), use_gpm=use_gpm)
    mean, variance = moments(flow)
    assert mean == pytest.approx(mean_gpm, rel=0.03)
    assert variance == pytest.approx(mean_gpm * a_gpm * (1 + INTENSITY_CV**2), rel=0.12)
    assert flow.idle_share[0, 0] == pytest.approx(np.exp(-mean_gpm / a_gpm), abs=0.03)


@settings(max_examples=25, deadline=None)
@given(st.floats(0.05, 60.0), st.floats(0.3, 30.0), st.floats(0.0, 0.9))
def test_time_adds_up_and_the_mean_is_kept(mean_gpm, use_gpm, zero):
    """LAW: shares of time add up to the time read; an exact meter's mean is the reads' mean."""
    flow = spread_of(reads_at(mean_gpm, zero=zero), use_gpm=use_gpm)
    total = float(flow.time_share.sum() + flow.idle_share.sum())
    assert total == pytest.approx(1.0, abs=2e-3)
    assert (flow.time_share >= -1e-6).all()
    centre = BAND_CENTRES_GPM[band_of(np.array([mean_gpm]))[0]]
    assert moments(flow)[0] == pytest.approx((1 - zero) * centre, rel=0.05)


def test_a_meter_that_counts_half_hid_as_much_again():
    """ANALYTIC: a constant ratio of 0.5 doubles the flow, whatever the uses."""
    whole, half = (
        spread_of(reads_at(m), use_gpm=3.0, table=meter(r)) for m, r in ((8.0, 1.0), (4.0, 0.5))
    )
    assert moments(half)[0] == pytest.approx(moments(whole)[0], rel=0.03)


def test_a_meter_that_starts_late_hid_flow_and_one_that_starts_at_once_did_not():
    late = spread_of(reads_at(2.0), use_gpm=3.0, table=meter(start_gpm=2.0))
    at_once = spread_of(reads_at(2.0), use_gpm=3.0)
    assert moments(late)[0] > 1.02 * moments(at_once)[0]


def test_few_large_uses_reach_higher_than_many_small_ones():
    tops = [
        float(spread_of(reads_at(5.0), use_gpm=a).top_10s_gpm[0, 0]) for a in (0.5, 2.0, 8.0)
    ]
    assert tops == sorted(tops)
    assert tops[0] < 0.5 * tops[-1]


def test_very_many_small_uses_are_as_good_as_steady():
    """LIMIT: the variance goes to 0 with the intensity, the flow to the interval's mean."""
    mean, variance = moments(spread_of(reads_at(50.0), use_gpm=0.05))
    assert np.sqrt(variance) < 0.1 * mean


def test_steady_flow_is_under_every_use():
    flow = spread_of(reads_at(5.0), use_gpm=3.0, steady_gpm=2.0)
    below = BAND_CENTRES_GPM < 1.8
    assert flow.time_share[0, 0, below].sum() < 1e-3
    assert flow.idle_share[0, 0] == pytest.approx(np.exp(-3.0 / 3.0), abs=0.08)


@pytest.mark.parametrize("slope", [1.3, 2.0, 4.0])
def test_a_rare_flow_lies_on_the_line_through_its_band(slope):
    """ANALYTIC: time above q falls as q^-slope from 0.1 gpm on, so its quantile is a power."""
    first = int(band_of(np.array([0.1]))[0])
    above = np.where(
        np.arange(BAND_COUNT + 1) <= first,
        1.0,
        10.0 ** (-slope * (np.arange(BAND_COUNT + 1) - first) / BANDS_PER_DECADE),
    )
    flow = spread_of(Reads((1 - above)[None], np.zeros(1), np.array([False])), use_gpm=0.5)
    edge_gpm = BAND_CENTRES_GPM[first] * 10 ** (-0.5 / BANDS_PER_DECADE)
    expected = edge_gpm * PEAK_EXCEEDED ** (-1 / slope)
    assert flow.top_mean_gpm[0, 0] == pytest.approx(expected, rel=0.01)
