import numpy as np
import pytest
from scipy.stats import binom

from rightsize.inference.water_use.kernels import CENTRES, SIZE, KernelKind, pulse_kernel

KINDS = (KernelKind(0.45), KernelKind(0.45, 6, 0.5), KernelKind(0.45, 10, 0.8, is_single=True))
BAND = 10 ** (1 / 20)


@pytest.mark.parametrize("kind", KINDS)
def test_every_interval_keeps_its_mean_and_its_time(kind):
    kernel = pulse_kernel(kind)
    np.testing.assert_allclose(kernel.mass @ CENTRES, CENTRES, rtol=1e-9)
    total = kernel.mass.sum(axis=1) + kernel.idle
    np.testing.assert_allclose(total, 1, atol=0.02)  # a band's centre stands for all of it


def test_variance_of_the_flow_is_mean_times_effective_intensity():
    # ANALYTIC: compound Poisson, variance = mean * a (1 + c^2); bands add a little
    kernel = pulse_kernel(KernelKind(0.45))
    variance = kernel.mass @ CENTRES**2 - CENTRES**2
    rows = slice(20, SIZE // 2 + 10)
    np.testing.assert_allclose((variance / CENTRES)[rows], 1 + 0.45**2, rtol=0.02)


# STANDARD: Hunter 1940 (NBS BMS 65) parameters, from memory, high trust; quantiles recomputed:
# number n of fixtures that run with odds p, 99th percentile m (check-values 4c)
HUNTER = [(5, 0.03, 1), (10, 0.03, 2), (20, 0.03, 3), (50, 0.03, 5), (100, 0.03, 8),
          (10, 0.2, 5), (20, 0.2, 8), (100, 0.2, 30), (200, 0.2, 54)]  # fmt: skip


@pytest.mark.parametrize(("count", "odds", "running"), HUNTER)
def test_draws_together_are_those_of_many_fixtures(count, odds, running):
    assert binom.ppf(0.99, count, odds) == running
    kernel = pulse_kernel(KernelKind(0.05))
    row = int(np.argmin(np.abs(np.log(CENTRES / (count * odds)))))
    above = np.cumsum(kernel.mass[row][::-1])[::-1]
    peak = CENTRES[(above >= 0.01).sum() - 1]
    # Poisson draws run together a little more than few fixtures can: never less, within a band
    assert peak >= running / BAND**1.5
    assert peak <= (running + max(2, 0.2 * running)) * BAND**1.5


def test_draws_that_run_alone_never_add_up():
    kind = KernelKind(0.45, 25, 0.97, is_single=True)
    kernel = pulse_kernel(kind)
    row = int(np.argmin(np.abs(CENTRES - 0.5 * kind.ratio)))
    above = np.cumsum(kernel.mass[row][::-1])[::-1]
    assert above[1.4 * kind.ratio < CENTRES].max() < 1e-5
    assert above[0.8 * kind.ratio < CENTRES].max() == pytest.approx(0.5, abs=0.06)
