"""What finer reads must bring: the same site, read more often, with narrower ranges.

PLANTED: sites simulated at 10 s; their reads at five intervals come from one and the same flow.
"""

import numpy as np
import pytest

from pipelines.configuration.load_priors import load_priors
from rightsize.inference.infer import infer
from tests.fleets import sites
from tests.fleets.catalogue import METERS
from tests.fleets.fleet import simulate_fleet

INTERVALS = (1440.0, 60.0, 15.0, 5.0, 1.0)
KINDS = (
    sites.office,
    sites.restaurant,
    sites.hotel,
    sites.apartments,
    sites.school,
    sites.laundry,
    sites.irrigation,
    sites.retail,
)


@pytest.fixture(scope="module")
def seen():
    """True peaks, and the posterior at each interval."""
    truth, blocks = simulate_fleet(8, sites_per_kind=2, kinds=KINDS, intervals=INTERVALS)
    priors = load_priors()
    found = {
        t: infer(b, METERS, priors, samples=40, seed=1, learnt=None) for t, b in blocks.items()
    }
    return truth, blocks, found


def width(posterior):
    """90 % interval of the peak, high over low, at each site."""
    low, high = np.quantile(posterior.peak_10s_gpm, [0.05, 0.95], axis=0)
    return high / low


def test_finer_reads_narrow_the_range_of_the_peak(seen):
    _, _, found = seen
    middle = [float(np.exp(np.mean(np.log(width(found[t]))))) for t in INTERVALS]
    assert middle == sorted(middle, reverse=True)
    assert middle[-1] < 0.75 * middle[1]  # minutes against hours


def test_finer_reads_come_nearer_to_the_true_peak(seen):
    truth, _, found = seen
    errors = {
        t: np.mean(np.abs(np.log(np.median(p.peak_10s_gpm, axis=0) / truth.peak_10s_gpm)))
        for t, p in found.items()
    }
    assert errors[1.0] < errors[60.0] < errors[1440.0]


@pytest.mark.parametrize("interval", INTERVALS)
def test_peaks_of_nested_windows_never_rise_with_their_length(seen, interval):
    _, _, found = seen
    draws = found[interval]
    slack = 1 + 1e-9
    assert (draws.peak_1min_gpm <= draws.peak_10s_gpm * slack).all()
    assert (draws.sustained_60min_gpm <= draws.peak_1min_gpm * slack).all()


def test_measured_maxima_of_nested_windows_never_rise_with_their_length(seen):
    _, blocks, _ = seen
    maxima = [blocks[t].max_interval_gpm for t in sorted(INTERVALS)]
    steps = [blocks[t].resolution_gal / t for t in sorted(INTERVALS)]
    for (short, long), step in zip(zip(maxima, maxima[1:]), steps):  # noqa: B905, RUF007
        assert (long <= short + step).all()  # a register shows whole steps


def test_reads_of_a_day_say_little_and_say_so(seen):
    truth, _, found = seen
    low, high = np.quantile(found[1440.0].peak_10s_gpm, [0.05, 0.95], axis=0)
    assert ((low <= truth.peak_10s_gpm) & (truth.peak_10s_gpm <= high)).mean() >= 0.75
    assert np.median(width(found[1440.0])) > 1.3 * np.median(width(found[60.0]))


def test_an_unknown_class_widens_the_range(seen):
    from dataclasses import replace

    _, blocks, found = seen
    block = replace(blocks[60.0], customer_class=("unknown",) * blocks[60.0].size)
    unknown = infer(block, METERS, load_priors(), samples=40, seed=1, learnt=None)
    assert np.median(width(unknown)) > np.median(width(found[60.0]))
