"""What no read can show of a site, as the calibration page's comparison draws it."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import lognorm

from rightsize.demand.bands import BAND_COUNT, band_of
from tests.fleets.catalogue import METERS
from tests.fleets.fleet import _by_flow
from tests.fleets.sites import Z90
from tests.fleets.unseen import TRIED, unseen_of

METER = next(m for m in METERS if m.meter_type == "turbine" and m.size_in == 2)
LAW = (0.4, 0.5, 5.0)
DAYS = 20


def site(leak_gpm: float, law=LAW):
    return SimpleNamespace(leak_gpm=leak_gpm, leak_from_day=0, leak_law=law)


def flow(leak_gpm: float) -> np.ndarray:
    """Uses of 3 to 30 gpm in a tenth of the time, over a leak."""
    rng = np.random.default_rng(3)
    steps = np.where(rng.random(DAYS * 8640) < 0.1, 3 * 10 ** rng.random(DAYS * 8640), 0.0)
    return (steps + leak_gpm).astype(np.float32)


@pytest.mark.parametrize(
    ("leak_gpm", "law"), [(METER.starting_gpm * 1.5, LAW), (0.0, None)], ids=["shown", "none"]
)
def test_what_the_meter_shows_is_known(leak_gpm, law) -> None:
    steps = flow(leak_gpm)
    bands, _ = unseen_of(_by_flow, site(leak_gpm, law), METER, steps)
    np.testing.assert_allclose(bands.sum(axis=1), steps.sum() / 6, rtol=1e-4)
    band = np.bincount(np.maximum(band_of(steps), 0), steps / 6, BAND_COUNT)
    for row in bands:
        np.testing.assert_allclose(np.cumsum(row), np.cumsum(band), atol=0.02 * steps.sum() / 6)


@pytest.mark.parametrize("leak_gpm", [0.0, 0.3], ids=["no leak", "a leak below the start"])
def test_what_it_cannot_show_is_drawn_by_bayes_from_the_law(leak_gpm) -> None:
    """LAW: against the law of leaks, cut at the start by another library's lognormal."""
    bands, registered = unseen_of(_by_flow, site(leak_gpm), METER, flow(leak_gpm))
    leaks = (bands.sum(axis=1) - flow(0.0).sum() / 6) / (DAYS * 1440)
    share, median, factor = LAW
    size = lognorm(s=np.log(factor) / Z90, scale=median)
    below = share * size.cdf(METER.starting_gpm)
    assert np.mean(leaks > 1e-3) == pytest.approx(below / (1 - share + below), abs=1 / TRIED)
    assert leaks.max() < METER.starting_gpm
    rank = size.cdf(leaks[leaks > 1e-3]) / size.cdf(METER.starting_gpm)
    np.testing.assert_allclose(rank.mean(), 0.5, atol=0.1)
    idle = np.diff(registered[leaks < 1e-3])
    np.testing.assert_allclose(idle, 0, atol=1e-6)
    assert np.all(np.diff(registered) >= -1e-6)  # a leak registers while something runs
