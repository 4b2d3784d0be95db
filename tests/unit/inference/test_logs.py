"""What a log changes in the samples of its account, and that it changes nothing else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipelines.configuration.load_priors import load_priors
from rightsize.demand.bands import BAND_CENTRES_GPM, BAND_COUNT
from rightsize.flow_logs.flow_log import FlowLog, RegisterReads
from rightsize.flow_logs.shown import flow_gpm, shown, together
from rightsize.inference.infer import infer
from rightsize.inference.logs.logged_flow import MINUTES_PER_YEAR, day_weights
from rightsize.meters.curve import registration_ratio
from tests.fleets import judge, reduce
from tests.fleets.catalogue import METERS

DAYS, SAMPLES = 91, 32
LEAK_GPM = 0.9
TURBINE = next(k for k, m in enumerate(METERS) if m.meter_type == "turbine" and m.size_in == 3)
SMALL = next(
    k for k, m in enumerate(METERS) if m.meter_type == "displacement" and m.size_in == 1.5
)


def water(seed):
    """Some uses a day of 20 gpm and a leak that a 3 in turbine does not see [gpm at 10 s]."""
    rng = np.random.default_rng(seed)
    flow = np.full(DAYS * 8640, LEAK_GPM)
    for day in range(DAYS):
        for start in rng.integers(2500, 8000, 40):
            flow[day * 8640 + start : day * 8640 + start + rng.integers(3, 30)] += 20.0
    return flow


@pytest.fixture(scope="module")
def site():
    assert METERS[TURBINE].starting_gpm > LEAK_GPM
    flow = water(3)
    registered = flow * registration_ratio(flow, METERS[TURBINE])
    volume = reduce.reads_of(registered, interval_min=60, resolution_gal=1.0)
    row = reduce.statistics(volume, interval_min=60, resolution_gal=1.0)
    block = reduce.block_of(
        [row, row], ids=["a", "b"], classes=["office"] * 2, meter_index=[TURBINE] * 2
    )
    days = slice(30 * 8640, 44 * 8640)
    reads = RegisterReads(
        3600.0 * np.arange(30 * 24, 44 * 24), np.full(14 * 24, 3600.0),
        volume[30 * 24 : 44 * 24], 1.0,
    )  # fmt: skip
    start = 30 * 86_400.0 + 10.0 * np.arange(14 * 8640)
    return flow, block, {
        "pipe": shown(FlowLog(start, 10.0, flow[days] / 6, "pipe", 0.02), reads),
        "meter": shown(FlowLog(start, 10.0, registered[days] / 6, "meter", 0.0), reads),
    }  # fmt: skip


def posterior(block, logs=None):
    return infer(
        block, METERS, load_priors(), samples=SAMPLES, seed=1, learnt=None, logs=logs
    )  # fmt: skip


@pytest.fixture(scope="module")
def known(site):
    _, block, logs = site
    return {
        "none": posterior(block),
        **{name: posterior(block, {block.meter_id[0]: log}) for name, log in logs.items()},
    }


def test_the_log_tells_the_leak_that_the_meter_cannot_see(site, known):
    """PLANTED: 0.9 gpm all year below the start of the turbine."""
    true_gal = LEAK_GPM * MINUTES_PER_YEAR
    before, after = (known[n].unseen_gal_per_year[:, 0] for n in ("none", "pipe"))
    low, high = np.quantile(after, [0.05, 0.95])
    assert low * 0.9 < true_gal < high * 1.1
    assert np.ptp(after) < 0.2 * np.ptp(before)


def test_what_another_meter_would_register_is_the_truth_within_the_sensors_error(site, known):
    flow = site[0]
    gal = float((flow * registration_ratio(flow, METERS[SMALL])).sum() / 6) / DAYS * 365.25
    told = known["pipe"].registered_gal_per_year[:, 0, SMALL]
    assert np.median(told) == pytest.approx(gal, rel=0.03)
    assert np.median(known["pipe"].peak_10s_gpm[:, 0]) == pytest.approx(
        np.sort(flow)[-int(1e-5 * len(flow)) - 1], rel=0.25
    )


def test_pulses_of_the_meter_tell_nothing_below_its_start(known):
    np.testing.assert_allclose(
        (known["meter"].unseen_gal_per_year[:, 0] > 0).mean(),
        (known["none"].unseen_gal_per_year[:, 0] > 0).mean(),
        atol=0.25,
    )
    peaks = [np.ptp(np.log(known[n].peak_10s_gpm[:, 0])) for n in ("meter", "none")]
    assert peaks[0] < peaks[1]


def test_the_account_beside_it_stays_as_it_was(known):
    """To single precision: matrix products take rows of both accounts together."""
    for name in ("peak_10s_gpm", "actual_gal_per_year", "registered_gal_per_year"):
        beside = [getattr(known[n], name)[:, 1] for n in ("none", "pipe")]
        np.testing.assert_allclose(*beside, rtol=1e-5)


def test_shares_of_time_and_the_installed_meters_volume_hold(site, known):
    """Law: time sums to at most 1, and the installed meter registers what it registered."""
    time = known["pipe"].time_share[0]
    assert time.min() >= 0
    assert time.sum() <= 1 + 1e-6
    np.testing.assert_array_equal(
        known["pipe"].installed_gal_per_year, known["none"].installed_gal_per_year
    )
    mean = float(time @ BAND_CENTRES_GPM)
    assert mean == pytest.approx(float(site[0].mean()), rel=0.05)


def test_a_pulse_is_laid_over_the_time_since_the_one_before():
    gal = np.array([0.0, 0.0, 3.0, 1.0, 0.0, 0.0])
    log = FlowLog(10.0 * np.arange(6), 10.0, gal, "meter", 0.0, pulse_gal=1.0)
    np.testing.assert_allclose(flow_gpm(log), [6.0, 6.0, 6.0, 6.0, 0.0, 0.0])  # HAND
    plain = replace(log, pulse_gal=0.0)
    np.testing.assert_allclose(flow_gpm(plain), gal * 6)


def test_two_logs_of_one_meter_are_one_and_no_interval_counts_twice(site):
    log = site[2]["pipe"]
    both = together(log, log)
    assert len(both.start_s) == len(log.start_s)
    assert both.share.shape == (len(log.start_s), BAND_COUNT + 2)


def test_weights_of_days_are_one_on_average_and_follow_from_the_meter():
    first, again = (day_weights("M1", 14, samples=50, seed=2) for _ in range(2))
    np.testing.assert_array_equal(first, again)
    np.testing.assert_allclose(first.mean(axis=1), 1)
    assert not np.array_equal(first, day_weights("M2", 14, samples=50, seed=2))


def test_with_the_log_the_account_gets_the_meter_that_its_true_flow_asks_for(site, known):
    """PLANTED: the oracle decides by the true flow, every meter's curve and the same rules."""
    flow, block, _ = site
    year = 365.25 / DAYS / 6
    every = np.array([(flow * registration_ratio(flow, m)).sum() * year for m in METERS])
    hours = np.sort(flow.reshape(-1, 360).mean(axis=1))
    one = replace(block, **{k: v[:1] for k, v in vars(block).items()})
    truth = judge.certain(
        one,
        registered=every[None],
        actual=np.array([flow.sum() * year]),
        peak=np.sort(flow)[-int(1e-5 * len(flow)) - 1 :][:1],
        sustained=hours[-int(0.005 * len(hours)) - 1 :][:1],
    )
    best, told, blind = (
        judge.decided_rows(one, p.rows(np.array([True] + [False] * (p_size - 1))), METERS).row(
            0, named=True
        )
        for p, p_size in ((truth, 1), (known["pipe"], 2), (known["none"], 2))
    )
    meter = ("recommended_type", "recommended_size_in")
    assert best["action"] == "change"
    assert [told[n] for n in meter] == [best[n] for n in meter]
    assert told["action"] == "change"
    assert blind["action"] != "change" or [blind[n] for n in meter] != [best[n] for n in meter]
