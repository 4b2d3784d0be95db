"""How safely and how well meters are chosen on fleets whose truth is known; printed.

    python -m pytest -m bench -s tests/benchmarks/fleets/test_inference_fleets.py

The method was set on fleets 31 to 48; those named here were in view for one mending only. Each
holds five sites of each of twelve kinds over one year, truth at 10 s.
"""

from __future__ import annotations

import numpy as np
import pytest

from pipelines.configuration.load_catalogue import load_catalogue
from pipelines.configuration.load_priors import load_priors
from rightsize.inference.infer import infer
from rightsize.inference.meter.censoring import learn_from, steady_by_class
from tests.fleets import judge
from tests.fleets.fleet import simulate_fleet

pytestmark = pytest.mark.bench
FLEETS = (401, 402, 403, 404, 405, 406)
COLUMNS = {
    "overrun": "overrun picks",
    "changed": "changed",
    "logged": "logged",
    "realised_pct": "benefit realised %",
    "gain_error_median": "gain error median",
    "gain_error_mean": "gain error mean",
    "gain_in_pct": "gain in 90 % int. %",
    "peak_in_pct": "peak in 90 % int. %",
    "false_undersized": "false undersized",
}


SUMMED = ("sites", "overrun", "changed", "logged", "false_undersized")
MEANS = ("in_pct", "error_median", "error_mean")


@pytest.fixture(scope="module")
def pooled():
    """Scores of every fleet, by interval and method."""
    return {}


def row(name, found):
    cells = [f"{found[c]:.4g}" if c in found else "" for c in COLUMNS]
    return " | ".join([name, str(found["sites"]), *cells])


@pytest.mark.parametrize("seed", FLEETS)
def test_a_fleet_of_known_truth(seed, pooled, capsys):
    meters, priors = tuple(load_catalogue().meters), load_priors()
    truth, blocks = simulate_fleet(seed, sites_per_kind=5, meters=meters)
    lines = [" | ".join(["fleet, reads, method", "sites", *COLUMNS.values()])]
    for interval, block in blocks.items():
        oracle = judge.oracle_of(truth, block, meters)
        learnt = learn_from([steady_by_class([block], meters, priors)], priors)
        ours = infer(block, meters, priors, samples=64, seed=1, learnt=learnt)
        naive = judge.interval_mean_posterior(block, meters)
        for name, posterior in (("interval mean", naive), ("pulses", ours)):
            decision = judge.decided(block, posterior, meters)
            found = judge.scores(truth, block, meters, posterior, decision, oracle)
            lines.append(row(f"{seed}, {interval:g} min, {name}", found))
            pooled.setdefault((interval, name), []).append(found)
    with capsys.disabled():
        print("\n" + "\n".join(lines))


def test_all_fleets_together(pooled, capsys):
    lines = [" | ".join(["all fleets, reads, method", "sites", *COLUMNS.values()])]
    for (interval, name), found in pooled.items():
        summed = {c: sum(f[c] for f in found) for c in SUMMED}
        middle = {c: np.mean([f[c] for f in found]) for c in found[0] if c.endswith(MEANS)}
        gained = sum(f["gained"].sum() for f in found)
        share = {"realised_pct": 100 * gained / sum(f["oracle_usd"] for f in found)}
        lines.append(row(f"all, {interval:g} min, {name}", summed | middle | share))
    with capsys.disabled():
        print("\n" + "\n".join(lines))
