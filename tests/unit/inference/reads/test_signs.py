"""What reads say of uses of water, against the Poisson rectangular pulse process.

Closed forms of Buchberger and Wu (1995) for exponential durations, written out here: mean
`lam tau a`, variance of averages over T
`2 rho (a^2 + b^2) (tau/T)^2 (T/tau - 1 + exp(-T/tau))`,
covariance of neighbours `rho (a^2 + b^2) (tau/T)^2 (1 - exp(-T/tau))^2`.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rightsize.demand.bands import BAND_CENTRES_GPM, BAND_COUNT
from rightsize.inference.reads.signs import _exceeded, pulse_variance, signs_of
from tests.fleets import reduce

DAYS, METERS = 300, 12
PER_MIN, TAU_MIN, A_GPM, CV, T_MIN = 60 / 1440, 6.0, 4.0, 0.5, 60.0
RHO = PER_MIN * TAU_MIN
MEAN_GPM = RHO * A_GPM
SQUARE = RHO * A_GPM**2 * (1 + CV**2)
X = T_MIN / TAU_MIN
VARIANCE = 2 * SQUARE * (X - 1 + np.exp(-X)) / X**2
COVARIANCE = SQUARE * (1 - np.exp(-X)) ** 2 / X**2


def pulses(rng, *, days=DAYS, interval_min=T_MIN, factor=None):
    """Exact interval means of the process; `factor` multiplies the days' rates of arrival."""
    length = days * 1440.0
    rate = PER_MIN * (np.ones(days) if factor is None else factor)
    count = rng.poisson(rate * 1440)
    start = np.repeat(np.arange(days) * 1440.0, count) + rng.random(count.sum()) * 1440
    last = start + rng.exponential(TAU_MIN, len(start))
    gpm = A_GPM * rng.gamma(1 / CV**2, CV**2, len(start))
    at = np.concatenate([start, last])
    order = np.argsort(at)
    flow = np.cumsum(np.concatenate([gpm, -gpm])[order])
    volume = np.concatenate([[0, 0], np.cumsum(flow[:-1] * np.diff(at[order]))])
    edges = np.arange(0, length + 1, interval_min)
    return np.diff(np.interp(edges, np.concatenate([[0], at[order]]), volume)) / interval_min


def block_of(many, *, interval_min=T_MIN, resolution_gal=1e-3):
    rows = [
        reduce.statistics(
            np.diff(np.floor(np.cumsum(np.r_[0, gpm]) * interval_min / resolution_gal))
            * resolution_gal,
            interval_min=interval_min,
            resolution_gal=resolution_gal,
        )
        for gpm in many
    ]
    count = len(rows)
    return reduce.block_of(
        rows,
        ids=[f"m{k}" for k in range(count)],
        classes=["office"] * count,
        meter_index=[0] * count,
    )


@pytest.fixture(scope="module")
def reads():
    rng = np.random.default_rng(5)
    return [pulses(rng) for _ in range(METERS)]


@pytest.fixture(scope="module")
def signs(reads):
    return signs_of(block_of(reads), np.zeros(METERS))


def test_the_process_is_the_one_of_the_closed_forms(reads):
    assert np.mean(reads) == pytest.approx(MEAN_GPM, rel=0.02)
    assert np.mean([r.var() for r in reads]) == pytest.approx(VARIANCE, rel=0.05)


def test_dispersions_are_those_of_the_closed_forms(signs):
    """ANALYTIC: total, near and far; covariance two intervals apart is next to 0."""
    assert signs.total_gpm.mean() == pytest.approx(VARIANCE / MEAN_GPM, rel=0.06)
    assert signs.near_gpm.mean() == pytest.approx((VARIANCE - COVARIANCE) / MEAN_GPM, rel=0.08)
    assert signs.far_gpm.mean() == pytest.approx(VARIANCE / MEAN_GPM, rel=0.06)


def test_variance_of_uses_is_that_of_the_closed_form(reads):
    assert pulse_variance(block_of(reads)).mean() == pytest.approx(VARIANCE, rel=0.06)


def test_busy_days_raise_the_total_and_leave_the_near_dispersion(signs):
    """PLANTED: days that are busier or quieter by half tell nothing of single uses."""
    rng = np.random.default_rng(6)
    swung = [pulses(rng, factor=np.exp(0.5 * rng.standard_normal(DAYS))) for _ in range(METERS)]
    found = signs_of(block_of(swung), np.zeros(METERS))
    scale = signs.near_gpm.mean()
    assert found.total_gpm.mean() - signs.total_gpm.mean() > 0.04 * scale
    assert found.near_gpm.mean() == pytest.approx(scale, rel=0.1)


def test_a_coarse_register_is_less_sure_and_not_biased(reads, signs):
    """PLANTED: steps of 20 gal on 60 gal an hour."""
    coarse = signs_of(block_of(reads, resolution_gal=20.0), np.zeros(METERS))
    assert coarse.near_gpm.mean() == pytest.approx(signs.near_gpm.mean(), rel=0.15)
    assert (coarse.log_sd > signs.log_sd).all()


def test_steady_flow_is_no_use(reads, signs):
    """ANALYTIC: a steady flow told of is taken off the mean; the variance does not see it."""
    under = signs_of(block_of([r + 3.0 for r in reads]), np.full(METERS, 3.0))
    np.testing.assert_allclose(under.near_gpm, signs.near_gpm, rtol=0.02)
    np.testing.assert_allclose(under.largest_gpm, signs.largest_gpm, rtol=0.02)
    untold = signs_of(block_of([r + 3.0 for r in reads]), np.zeros(METERS))
    assert (untold.near_gpm < 0.5 * signs.near_gpm).all()


def test_a_ceiling_shows_as_a_clump_and_chance_does_not(reads, signs):
    """PLANTED: one use at a time of 25 gpm that fills whole hours."""
    rng = np.random.default_rng(7)
    capped = [np.where(rng.random(len(r)) < 0.1, 25.0, 0.2) for r in reads]
    ceiling = signs_of(block_of(capped), np.zeros(METERS))
    assert (ceiling.top_share > 0.9).all()
    assert (signs.top_share < 0.3).all()


@settings(max_examples=15, deadline=None)
@given(st.integers(-20, 30))
def test_ten_times_the_flow_gives_ten_times_the_signs(bands):
    """LAW: flows times a whole number of bands scale every flow, and no share or error."""
    factor = 10 ** (bands / 20)
    gpm = pulses(np.random.default_rng(8), days=60)
    one = signs_of(block_of([gpm], resolution_gal=1e-6), np.zeros(1))
    many = signs_of(block_of([gpm * factor], resolution_gal=1e-6 * factor), np.zeros(1))
    for name in ("near_gpm", "far_gpm", "total_gpm", "busy_gpm", "largest_gpm"):
        np.testing.assert_allclose(
            getattr(many, name), getattr(one, name) * factor, rtol=0.02, err_msg=name
        )
    np.testing.assert_allclose(many.log_sd, one.log_sd, rtol=0.02)


@pytest.mark.parametrize(("share", "band"), [(0.2, 10), (0.05, 40), (0.01, 60)])
def test_an_exceeded_flow_is_that_of_the_highest_band_reached_so_often(share, band):
    """HAND: of 100 reads 90 lie in band 10, nine in band 40, one in band 60."""
    count = np.zeros((1, BAND_COUNT))
    count[0, [10, 40, 60]] = (90, 9, 1)
    assert _exceeded(count, np.array([100.0]), share) == BAND_CENTRES_GPM[band]
