"""Processor time of the value of knowing an account; printed, not asserted.

OMP_NUM_THREADS=1 python -m pytest -n 0 -m bench -s tests/benchmarks/test_knowing_speed.py
"""

from __future__ import annotations

import time

import numpy as np
import pytest

from pipelines.configuration.load_catalogue import load_catalogue
from pipelines.configuration.load_priors import load_priors
from rightsize.meters.catalogue import Catalogue
from rightsize.recommend.case import prepare
from rightsize.recommend.choose import judged
from rightsize.recommend.learning.value_of_learning import value_of_learning
from tests.benchmarks.test_inference_speed import tiled
from tests.fleets import judge, sites
from tests.fleets.fleet import simulate_fleet
from tests.fleets.scorecard import infer_fleet

pytestmark = pytest.mark.bench
ACCOUNTS = 2048
CHUNK = 512


@pytest.mark.parametrize("samples", [64, 112])  # as a sweep draws: first, and near a threshold
def test_value_of_knowing_of_an_account(samples, capsys):
    meters, priors = tuple(load_catalogue().meters), load_priors()
    kinds = (sites.office, sites.hotel, sites.apartments, sites.retail, sites.irrigation)
    _, blocks = simulate_fleet(
        5, sites_per_kind=3, kinds=kinds, meters=meters, intervals=(60.0,)
    )
    block = tiled(blocks[60.0], ACCOUNTS)
    posterior = infer_fleet(block, meters, priors, samples=samples)
    case = prepare(block, posterior, judge.site_block(block), Catalogue(meters), judge.TARIFF,
                   judge.THRESHOLDS, units="us")  # fmt: skip
    chunks = [slice(k, k + CHUNK) for k in range(0, ACCOUNTS, CHUNK)]
    found = [judged(case, rows).learnable for rows in chunks]
    value_of_learning(case, chunks[0], found[0])  # warm
    before, began = time.process_time(), time.perf_counter()
    rows = sum(
        len(value_of_learning(case, rows, held).kind)
        for rows, held in zip(chunks, found, strict=True)
    )
    worked, took = time.process_time() - before, time.perf_counter() - began
    open_share = np.mean([0 if f is None else len(f.account) for f in found]) / CHUNK
    fleet_s = worked / ACCOUNTS * 100_000 / 2
    with capsys.disabled():
        print(
            f"\n{samples} samples: {1000 * worked / ACCOUNTS:.2f} ms of processor time each"
            f" ({1000 * took / ACCOUNTS:.2f} ms by the clock), {100 * open_share:.0f} % open,"
            f" {rows} rows; 100,000 accounts on two cores: {fleet_s:.0f} s"
        )
