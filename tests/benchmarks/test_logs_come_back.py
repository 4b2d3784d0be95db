"""What logs of a tenth of the sites bring, on fleets whose flow is known every 10 s."""

from __future__ import annotations

import numpy as np
import pytest

from pipelines.configuration.load_catalogue import load_catalogue
from pipelines.configuration.load_priors import load_priors
from tests.fleets.judge import oracle_of
from tests.fleets.logged import logged_first, logged_fleet, realised
from tests.fleets.scorecard import infer_fleet

SIMULATED = (("simulated", 601), ("simulated", 602), ("simulated", 603))
RECORDED = (("recorded", 11),)
ALL_LOGGED_PCT = 93.0  # of the oracle, all three fleets together
PEAK_IN_PCT, GAIN_IN_PCT = 80.0, 85.0


@pytest.fixture(scope="module")
def every():
    return tuple(load_catalogue().meters), load_priors()


@pytest.mark.heavy
@pytest.mark.parametrize(
    ("members", "least_pct", "least_rise"), [(SIMULATED, 85.0, 8.0), (RECORDED, 93.0, 0.0)]
)
def test_logs_of_a_tenth_raise_what_is_realized(every, members, least_pct, least_rise):
    """93 % is reached on recordings; on simulated fleets only the best tenth in hindsight is
    near it (95 %), and the method's own choice of sites comes to 89 %: see the handbook."""
    found = [logged_first(kind, seed, *every) for kind, seed in members]
    oracle = sum(f.oracle_usd for f in found)
    before, after = (
        100 * sum(getattr(f, when)["gained"].sum() for f in found) / oracle
        for when in ("before", "after")
    )
    print(f"{members}: {before:.1f} -> {after:.1f} % of the oracle")
    assert all(len(f.logged) <= 0.1 * f.after["sites"] for f in found)
    assert after >= least_pct
    assert after - before >= least_rise


@pytest.mark.heavy
def test_fleets_logged_whole_come_to_the_oracle_and_keep_their_ranges(every):
    meters, priors = every
    gained, best = 0.0, 0.0
    for kind, seed in SIMULATED:
        truth, block, logs = logged_fleet(kind, seed, meters)
        oracle = oracle_of(truth, block, meters)
        posterior = infer_fleet(block, meters, priors, logs=logs)
        found = realised(truth, block, meters, posterior, oracle, logs)
        gained, best = gained + found["gained"].sum(), best + oracle.best_usd.sum()
        assert found["peak_in_pct"] >= PEAK_IN_PCT
        assert found["gain_in_pct"] >= GAIN_IN_PCT
        assert found["overrun"] <= 1
        assert np.isfinite(posterior.registered_gal_per_year).all()
    assert 100 * gained / best >= ALL_LOGGED_PCT
