"""Accounts a second, against the plain way: one account and one draw at a time; printed.

OMP_NUM_THREADS=1 python -m pytest -m bench -s tests/benchmarks/test_inference_speed.py
"""

from __future__ import annotations

import resource
import time
from dataclasses import replace

import numpy as np
import pytest

from pipelines.configuration.load_catalogue import load_catalogue
from pipelines.configuration.load_priors import load_priors
from rightsize.demand.bands import BAND_CENTRES_GPM
from rightsize.inference import infer as whole
from rightsize.meters.catalogue import STANDARD_GRADE
from rightsize.meters.curve import registration_ratio
from tests.fleets import sites
from tests.fleets.fleet import simulate_fleet

pytestmark = pytest.mark.bench
ACCOUNTS = 2000
PLAIN_ACCOUNTS = 2
SAMPLES = 64  # the default of a sweep


def tiled(block, count):
    """The block's meters over and over, each under a name of its own."""
    index = np.arange(count) % block.size

    def cut(name, value):
        if name in ("meter_id", "account_id"):
            return tuple(f"{value[i]}-{k}" for k, i in enumerate(index))
        return tuple(value[i] for i in index) if isinstance(value, tuple) else value[index]

    return replace(block, **{name: cut(name, value) for name, value in vars(block).items()})


def plain_account(share, meters, rng):
    """What the matrices do, in loops: kernel row by row, meter by meter, for as many draws."""
    registered = np.zeros((SAMPLES, len(meters)))
    for j in range(SAMPLES):
        intensity = 3 * np.exp(0.4 * rng.standard_normal())
        for centre, part in zip(BAND_CENTRES_GPM, share, strict=True):
            if part == 0:
                continue
            count = rng.poisson(centre / intensity, 200)
            flow = rng.gamma(np.maximum(count, 1e-9) * 5, intensity / 5) * (count > 0)
            for m, meter in enumerate(meters):
                ratio = registration_ratio(flow, meter)
                registered[j, m] += part * float((ratio * flow).mean())
    return registered


def case(count):
    """Accounts, meters and priors."""
    meters = tuple(m for m in load_catalogue().meters if m.grade == STANDARD_GRADE)
    kinds = (sites.office, sites.hotel, sites.apartments, sites.retail)
    _, blocks = simulate_fleet(
        5, sites_per_kind=1, meters=meters, kinds=kinds, intervals=(60.0,)
    )
    return tiled(blocks[60.0], count), meters, load_priors()


def seconds_of_inference(accounts):
    """Processor time of that many accounts; kernels and curves are made before."""
    block, meters, priors = case(accounts)
    options = {"samples": SAMPLES, "seed": 1, "learnt": None}
    whole.infer(tiled(block, 8), meters, priors, **options)
    before = time.process_time()
    whole.infer(block, meters, priors, **options)
    return time.process_time() - before


def test_accounts_a_second(capsys):
    block, meters, _ = case(PLAIN_ACCOUNTS)
    fast = ACCOUNTS / seconds_of_inference(ACCOUNTS)
    share = block.band_count[:PLAIN_ACCOUNTS] / block.reads_used[:PLAIN_ACCOUNTS, None]
    before = time.process_time()
    for each in share:
        plain_account(each, meters, np.random.default_rng(1))
    plain = PLAIN_ACCOUNTS / (time.process_time() - before)
    peak_gib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    with capsys.disabled():
        print(
            f"\n{fast:.0f} accounts per second of one core ({len(meters)} meters, "
            f"{SAMPLES} draws); one by one {plain:.2f}; ratio {fast / plain:.0f}; "
            f"memory {peak_gib:.2f} GiB"
        )
