import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rightsize.demand.bands import BAND_CENTRES_GPM, BAND_COUNT, band_of
from rightsize.inference.reads.rounding import rounding_variance, unrounded

# Laws are scaled to their total by a sum over 151 numbers. The order of such a sum, and so its
# last digits, is the processor's: 151 roundings of 1.1e-16 each are 1.7e-14; seen: 3e-16.
SUM_ROUNDING = 1e-12


def counted(flow):
    band = band_of(flow)
    return np.bincount(band[band >= 0], minlength=BAND_COUNT).astype(float)[None], np.array(
        [float((flow <= 0).sum())]
    )


def test_a_trickle_between_two_steps_is_found_again():
    # PLANTED: 0.6 gpm steady, register of 1 gal read every minute: ticks of 0 and 1
    shown = np.floor(np.arange(1, 100_001) * 0.6).astype(int)
    flow = np.diff(shown, prepend=0).astype(float)
    count, zero = counted(flow)
    assert (flow == 0).mean() > 0.3
    law, none = unrounded(count, zero, np.array([1.0]), np.zeros(1))
    total = law.sum() + none
    assert total[0] == pytest.approx(len(flow), rel=SUM_ROUNDING)
    assert np.isclose(law[0] @ BAND_CENTRES_GPM / total[0], flow.mean(), rtol=0.03)
    between = (BAND_CENTRES_GPM > 0.1) & (BAND_CENTRES_GPM < 0.9)
    assert law[0, between].sum() > 0.2 * total[0]  # not only none and whole steps


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.integers(0, 5000), min_size=BAND_COUNT, max_size=BAND_COUNT),
    st.integers(0, 100_000),
    st.sampled_from([1e-4, 0.02, 0.25, 1.0, 16.7]),
    st.sampled_from([0.0, 0.03, 0.7]),
)
def test_totals_are_kept(bands, zeros, step_gpm, resting_gpm):
    count, zero = np.array([bands], dtype=float), np.array([float(zeros)])
    law, rest = unrounded(count, zero, np.array([step_gpm]), np.array([resting_gpm]))
    assert (law >= 0).all()
    assert law.sum() + rest[0] == pytest.approx(count.sum() + zero[0], rel=SUM_ROUNDING)


def test_fine_steps_change_nothing():
    rng = np.random.default_rng(1)
    count, zero = counted(rng.gamma(2, 5, 5000))
    law, none = unrounded(count, zero, np.array([1e-4]), np.zeros(1))
    np.testing.assert_allclose(law, count, atol=1e-6 * count.sum())
    assert none[0] == zero[0]


def test_variance_of_rounding_is_a_sixth_of_the_step_squared():
    # ANALYTIC: difference of two rounded registers, many steps to an interval
    rng = np.random.default_rng(2)
    true = rng.uniform(20, 40, 200_000)
    read = np.diff(np.floor(np.cumsum(true) + 0.3), prepend=0)
    count, zero = counted(read)
    found = rounding_variance(count, zero, np.array([1.0]))[0]
    assert np.isclose(found, np.var(read - true), rtol=0.05)


def test_flow_at_rest_is_told_from_no_flow_where_steps_hide_it():
    # PLANTED: 0.24 gpm that never stops and nothing else, read every minute in steps of 1 gal
    flow = np.diff(np.floor(np.arange(1, 100_001) * 0.24), prepend=0)
    count, zero = counted(flow)
    law, rest = unrounded(count, zero, np.array([1.0]), np.array([0.24]))
    assert rest[0] > 0.9 * len(flow)
    without, none = unrounded(count, zero, np.array([1.0]), np.zeros(1))
    assert none[0] < 0.9 * len(flow)
    assert law.sum() < without.sum()


def test_rest_that_is_many_steps_leaves_the_reads_alone():
    flow = np.full(1000, 30.0)
    count, zero = counted(flow)
    law, rest = unrounded(count, zero, np.array([1.0]), np.array([30.0]))
    assert rest[0] == pytest.approx(0, abs=1)
    np.testing.assert_allclose(law, count, atol=1)


def test_variance_of_rounding_where_a_draw_is_part_of_a_step():
    # PLANTED: minutes of 3 gpm, one in ten, in steps of 10 gal: ticks must not pass for draws
    rng = np.random.default_rng(4)
    true = 3.0 * (rng.random(200_000) < 0.1)
    read = np.diff(np.floor(np.cumsum(true) / 10), prepend=0) * 10
    count, zero = counted(read)
    found = rounding_variance(count, zero, np.array([10.0]))[0]
    assert 0.25 * np.var(read - true) < found < np.var(read - true)
