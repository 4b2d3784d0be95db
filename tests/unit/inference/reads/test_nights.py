import numpy as np
import pytest
from scipy.stats import lognorm

from rightsize.inference.reads import nights
from tests.fleets import reduce

LAW = nights.SteadyLaw(np.array([0.4]), np.log([0.5]), np.array([1.1]))
HALF = (np.arange(40)[:, None] + 0.5) / 40


def meter_of(hours_gpm, *, dispersion_gpm, mean_gpm):
    """A meter read hourly whose nights' least hours are given, and its draws' variance."""
    reads = np.full((300, 24), mean_gpm)
    reads[:, 3] = hours_gpm
    row = reduce.statistics(reads.ravel() * 60, interval_min=60.0, resolution_gal=0.01)
    block = reduce.block_of([row], ids=["a"], classes=["office"], meter_index=[0])
    return block, np.array([dispersion_gpm * mean_gpm])


def test_nights_as_steady_as_a_leak_are_a_leak():
    # PLANTED: every night 0.8 gpm within 2 %, by day draws of dispersion 2 gpm
    rng = np.random.default_rng(1)
    night = 0.8 * (1 + 0.02 * rng.standard_normal(300))
    block, variance = meter_of(night, dispersion_gpm=2.0, mean_gpm=5.0)
    found = nights.steady_seen(block, variance, LAW, np.array([0.1]), HALF)
    assert np.quantile(found, 0.1) > 0.68
    assert (found < 0.83).all()


def test_nights_that_vary_as_draws_do_are_mostly_draws():
    # PLANTED: Poisson draws of 2 gpm-hours' dispersion about 1 gpm, nothing steady
    rng = np.random.default_rng(2)
    night = rng.poisson(1.0 / 0.2, 300) * 0.2
    block, variance = meter_of(night, dispersion_gpm=0.2, mean_gpm=5.0)
    found = nights.steady_seen(block, variance, LAW, np.array([0.05]), HALF)
    assert np.median(found) < 0.4
    assert (found <= nights.night_quantile(block, 0.1) + 1e-9).all()


def test_a_meter_that_cannot_show_so_little_shows_none():
    rng = np.random.default_rng(3)
    night = rng.poisson(2.0, 300) * 0.1
    block, variance = meter_of(night, dispersion_gpm=0.1, mean_gpm=5.0)
    found = nights.steady_seen(block, variance, LAW, np.array([5.0]), HALF)
    assert ((found == 0) | (found <= nights.night_quantile(block, 0.1) + 1e-9)).all()


@pytest.mark.parametrize("log_sd", [0.5, 1.1, 1.6])
def test_odds_of_steady_flow_are_those_of_its_lognormal_size(log_sd):
    """LIBRARY: scipy.stats.lognorm; between two flows lies the share of its distribution."""
    law = nights.SteadyLaw(np.array([0.4]), np.log([0.5]), np.array([log_sd]))
    _, odds = nights._night_grid(np.array([0.9]), law, np.array([0.2]))
    size = lognorm(s=log_sd, scale=0.5)
    assert odds[0, 1:].sum() == pytest.approx(0.4 * (size.cdf(0.9) - size.cdf(0.2)), rel=5e-3)
    assert odds[0, 0] == pytest.approx(1 - 0.4 * size.sf(0.2), rel=1e-6)


@pytest.mark.parametrize("times", [0.1, 7.0])
def test_dispersion_of_uses_scales_with_flow(times):
    """LAW: variance over mean is a flow, also where steady flow is nearly all there is."""
    block, variance = meter_of(np.full(300, 0.8), dispersion_gpm=2.0, mean_gpm=5.0)
    large, _ = meter_of(np.full(300, 0.8 * times), dispersion_gpm=2.0, mean_gpm=5.0 * times)
    steady = np.array([[0.0, 2.0, 4.9]])
    one = nights._dispersion(block, variance, steady)
    many = nights._dispersion(large, variance * times**2, steady * times)
    np.testing.assert_allclose(many, times * one, rtol=1e-6)
