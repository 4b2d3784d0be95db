from dataclasses import replace

import numpy as np
import pytest

from pipelines.configuration.load_priors import load_priors
from rightsize.inference.infer import infer
from rightsize.inference.meter.censoring import learn_from, steady_by_class
from tests.fleets import sites
from tests.fleets.catalogue import METERS
from tests.fleets.fleet import simulate_fleet


@pytest.fixture(scope="module")
def fleet():
    return simulate_fleet(3, sites_per_kind=1, kinds=(sites.office, sites.hotel, sites.retail))


@pytest.fixture(scope="module")
def priors():
    return load_priors()


def _infer(block, priors, **options):
    settings = {"samples": 40, "seed": 1, "learnt": None} | options
    return infer(block, METERS, priors, **settings)


def _rows(block, rows):
    def cut(value):
        return tuple(value[i] for i in rows) if isinstance(value, tuple) else value[rows]

    return replace(block, **{name: cut(value) for name, value in vars(block).items()})


def test_results_do_not_depend_on_blocks_or_order(fleet, priors):
    block = fleet[1][60.0]
    whole = _infer(block, priors)
    turned = _infer(_rows(block, [2, 0, 1]), priors)
    alone = _infer(_rows(block, [1]), priors)
    np.testing.assert_allclose(turned.peak_10s_gpm[:, 1], whole.peak_10s_gpm[:, 0], rtol=1e-5)
    np.testing.assert_allclose(
        alone.registered_gal_per_year[:, 0], whole.registered_gal_per_year[:, 1], rtol=1e-4
    )


def test_published_ranges_lie_inside_the_envelope_and_shares_add_up(fleet, priors):
    block = fleet[1][60.0]
    out = _infer(
        block, priors, learnt=learn_from([steady_by_class([block], METERS, priors)], priors)
    )
    assert (out.registered_gal_per_year >= out.registered_envelope_low[None] - 1e-6).all()
    assert (out.registered_gal_per_year <= out.registered_envelope_high[None] + 1e-6).all()
    np.testing.assert_allclose(out.actual_volume_share.sum(axis=1), 1, atol=1e-3)
    assert (out.time_share.sum(axis=1) <= 1 + 1e-4).all()


def test_the_truth_lies_inside_the_envelope(fleet, priors):
    truth, blocks = fleet
    for block in blocks.values():
        out = _infer(block, priors)
        per_year = truth.registered_gal * 365.25 / 365
        assert (out.registered_envelope_low <= per_year * 1.01).all()
        assert (per_year <= out.registered_envelope_high * 1.01).all()


def test_the_registers_own_peak_is_taken_for_it(fleet, priors):
    truth, blocks = fleet
    reported = np.full(blocks[60.0].size, np.nan)
    reported[0] = 1.1 * truth.peak_10s_gpm[0]  # the largest of all moments lies a little above
    told = _infer(replace(blocks[60.0], peak_register_gpm=reported), priors)
    plain = _infer(blocks[60.0], priors)
    low, high = np.quantile(told.peak_10s_gpm[:, 0], [0.05, 0.95])
    assert low <= truth.peak_10s_gpm[0] <= high
    assert high / low < np.divide(*np.quantile(plain.peak_10s_gpm[:, 0], [0.95, 0.05]))
    np.testing.assert_allclose(told.peak_10s_gpm[:, 1:], plain.peak_10s_gpm[:, 1:])
