import numpy as np
import pytest

from rightsize.inference.meter import censoring
from rightsize.inference.water_use.priors import SteadyPrior

PRIOR = SteadyPrior(0.4, 0.5, 6.0)


def shown(rng, count, share, median, floor):
    flow = np.where(
        rng.random(count) < share, median * np.exp(0.8 * rng.standard_normal(count)), 0
    )
    return np.where(flow >= floor, flow, 0.0), np.broadcast_to(floor, count).astype(float)


def test_a_large_fleet_outweighs_the_prior_and_allows_for_what_meters_miss():
    # PLANTED: 60 % of accounts leak about 1.5 gpm; half the meters start at 0.1 gpm, half at 2
    rng = np.random.default_rng(3)
    floor = np.where(np.arange(3000) % 2 == 0, 0.1, 2.0)
    flow, floor = shown(rng, 3000, 0.6, 1.5, floor)
    assert (flow > 0).mean() < 0.5
    found = censoring._learnt(PRIOR, flow, floor)
    assert found.share == pytest.approx(0.6, abs=0.05)
    assert found.flow_gpm == pytest.approx(1.5, rel=0.1)
    assert found.log_sd == pytest.approx(0.8, rel=0.15)


def test_a_fleet_that_shows_nothing_leaves_the_prior():
    none = np.zeros(0)
    found = censoring._learnt(PRIOR, none, none)
    assert found.share == pytest.approx(PRIOR.share)
    assert found.flow_gpm == pytest.approx(PRIOR.flow_gpm)


def test_odds_of_unseen_flow_rise_with_the_start_of_the_meter():
    start = np.array([0.02, 0.2, 2.0, 20.0])
    odds = censoring.unseen_odds(np.array(0.4), np.array(np.log(0.5)), np.array(1.0), start)
    assert (np.diff(odds) > 0).all()
    assert odds[-1] == pytest.approx(0.4, abs=1e-3)
    size = censoring.unseen_size(np.full(4, 0.999), np.array(np.log(0.5)), np.array(1.0), start)
    assert (size <= start).all()
