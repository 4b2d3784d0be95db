import numpy as np
import pytest

from rightsize.inference.water_use import pulses

# ANALYTIC: check-values 8, pulses of 40 a day, 1 min, 8 L/min, variance 16; formula from memory
# (Buchberger and Wu 1995).
RATIOS = {1: 0.73576, 5: 0.32054, 15: 0.12444, 60: 0.03278}


@pytest.mark.parametrize(("interval_min", "ratio"), RATIOS.items())
def test_variance_ratio_of_the_pulse_process(interval_min, ratio):
    assert pulses.variance_ratio(interval_min, 1.0) == pytest.approx(ratio, abs=5e-6)


def test_simulated_pulses_show_the_variance_and_covariance_of_the_formulas():
    # ANALYTIC by simulation: a million minutes, so a standard error near 1 %.
    rng = np.random.default_rng(5)
    minutes, tau, rate = 1_000_000, 3.0, 0.2
    count = rng.poisson(rate * minutes)
    start = rng.random(count) * minutes
    stop = start + rng.exponential(tau, count)
    running = np.zeros(minutes * 4 + 1)
    for at, sign in ((start, 1), (stop, -1)):
        inside = at[at < minutes]
        running += sign * np.bincount(np.ceil(inside * 4).astype(int), minlength=len(running))
    flow = np.cumsum(running)[: minutes * 4]
    mean = flow.reshape(-1, 20).mean(axis=1)  # 5 min
    assert mean.var() / flow.var() == pytest.approx(pulses.variance_ratio(5, tau), rel=0.03)
    lag = np.mean((mean[1:] - mean.mean()) * (mean[:-1] - mean.mean()))
    assert lag / flow.var() == pytest.approx(pulses.covariance_ratio(5, tau), rel=0.05)
