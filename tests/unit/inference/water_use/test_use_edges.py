"""Intervals in which a use begins or ends: time and volume are kept."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rightsize.inference.meter.registered_table import TABLE_FLOW_GPM, RegisteredTable
from rightsize.inference.water_use.kernels import CENTRES, SIZE
from rightsize.inference.water_use.use_edges import (
    UseEdges,
    edge_parts,
    put_in,
    taken_out,
    with_edges,
)


def one(value):
    return np.array([[value]], dtype=np.float64)


def edges(use_gpm=3.0, part=0.8, filled=0.1):
    return UseEdges(one(use_gpm), one(part), one(filled))


def meter(start_gpm):
    whole = np.ones((1, 1, len(TABLE_FLOW_GPM)), dtype=np.float32)
    start = np.array([[start_gpm]], dtype=np.float32)
    return RegisteredTable(whole, start, whole[0], start[0])


def expected_of(table, intensity, steady, parts):
    flow = (steady[..., None] + intensity[..., None] * CENTRES).astype(np.float32)
    plain = table.registered_gpm(flow, np.array([[0]]))
    resting = table.registered_gpm(steady.astype(np.float32), np.array([0]))
    with_them = with_edges(
        plain.copy(), parts, steady, resting, intensity, table, np.array([0])
    )
    return plain, with_them


@settings(max_examples=40, deadline=None)
@given(st.floats(0.5, 20.0), st.floats(0.0, 1.0), st.floats(0.0, 5.0), st.floats(0.3, 10.0))
def test_time_and_volume_are_kept(use_gpm, part, filled, intensity_gpm):
    """LAW: what is taken out and what is left is all the time, and their volume all volume."""
    intensity = one(intensity_gpm)
    parts = edge_parts(edges(use_gpm, part, filled), intensity)
    time = np.random.default_rng(1).random((1, 1, SIZE))
    left, begun = taken_out(time, parts, intensity)
    assert (left >= -1e-12).all()
    assert (left <= time + 1e-12).all()
    mean = intensity_gpm * CENTRES
    volume = (left[0, 0] @ mean) + sum(float((gpm * running).sum()) for gpm, running in begun)
    assert volume == pytest.approx(float(time[0, 0] @ mean), rel=1e-5)


def test_edges_are_put_in_at_their_own_flow():
    """HAND: each begun use's running time goes to the band of its flow over the intensity."""
    time, intensity = np.zeros((1, 1, SIZE)), one(2.0)
    put_in(time, [(one(2.0), one(0.3)), (one(20.0), one(0.1))], intensity)
    at = np.flatnonzero(time[0, 0])
    np.testing.assert_allclose(CENTRES[at], [1.0, 10.0])
    np.testing.assert_allclose(time[0, 0, at], [0.3, 0.1])


@pytest.mark.parametrize("steady", [0.0, 1.5])
def test_a_meter_that_counts_all_cannot_tell_an_edge(steady):
    """ANALYTIC: with r(q) = q the registered mean is the mean, however it comes about."""
    intensity = one(1.0)
    parts = edge_parts(edges(), intensity)
    plain, found = expected_of(meter(1e-4), intensity, one(steady), parts)
    np.testing.assert_allclose(found, plain, rtol=2e-5, atol=1e-4)


def test_a_meter_that_starts_above_the_mean_still_counts_a_begun_use():
    """PLANTED: start of 2 gpm, uses of 3 gpm: as steady flow 1 gpm registers nothing."""
    intensity = one(1.0)
    parts = edge_parts(edges(part=1.0, filled=0.0), intensity)
    plain, found = expected_of(meter(2.0), intensity, one(0.0), parts)
    at = int(np.argmin(np.abs(CENTRES - 1.0)))
    assert plain[0, 0, at] == 0
    assert 0.3 < found[0, 0, at] <= 1.0


def test_where_the_kernel_leaves_none_out_nothing_is_taken():
    """LIMIT: part 0."""
    parts = edge_parts(edges(part=0.0), one(1.0))
    assert all((share == 0).all() for _, share in parts)


def test_longer_uses_begin_and_end_in_fewer_intervals():
    """MONOTONE: the more intervals a use fills, the smaller the share that is an edge."""
    shares = [
        sum(float(share.sum()) for _, share in edge_parts(edges(filled=f), one(1.0)))
        for f in (0.0, 0.5, 2.0, 10.0)
    ]
    assert shares == sorted(shares, reverse=True)
    assert shares[-1] < 0.9 * shares[0]


def test_an_interval_above_the_use_is_no_edge():
    """HAND: uses of 3 gpm, up to 4.7 gpm; a mean of 6 gpm is not one of them begun."""
    above = CENTRES > 3.0 * 1.57
    assert all((share[0, 0, above] == 0).all() for _, share in edge_parts(edges(), one(1.0)))
