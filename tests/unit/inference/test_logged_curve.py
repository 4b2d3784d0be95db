"""The meter's curve from a log of the pipe against the register, on planted curves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import kstest

from pipelines.configuration.load_priors import load_priors
from rightsize.flow_logs.flow_log import FlowLog, RegisterReads
from rightsize.flow_logs.shown import LogShown, shown
from rightsize.inference.infer import infer
from rightsize.inference.logs.from_logs import Logs
from rightsize.inference.logs.logged_curve import rank_given_log
from rightsize.inference.meter.ground import ground_rows, ground_table, moved_meter
from rightsize.meters.curve import registration_ratio
from tests.fleets import reduce
from tests.fleets.catalogue import METERS

SAMPLES, DAYS = 64, 14
ENTRY = next(k for k, m in enumerate(METERS) if m.meter_type == "turbine" and m.size_in == 1.5)
METER = METERS[ENTRY]
TABLE = ground_table(METERS, SAMPLES, 1)
EVEN = (np.arange(SAMPLES) + 0.5) / SAMPLES


def water(days: int = DAYS) -> np.ndarray:
    """Hours of flows from the start of the meter to thirty times it [gpm at 10 s]."""
    rng = np.random.default_rng(4)
    hours = METER.starting_gpm * 30 ** rng.uniform(-0.05, 1, days * 24)
    return np.repeat(hours, 360)


def log_beside(meter, *, level: float = 1.0, measures: str = "pipe") -> LogShown:
    """A log of two weeks whose sensor is out by `level`, beside the register of a meter."""
    flow = water()
    volume = reduce.reads_of(
        flow * registration_ratio(flow, meter), interval_min=60, resolution_gal=1.0
    )
    hours = 3600.0 * np.arange(len(volume))
    reads = RegisterReads(hours, np.full(len(volume), 3600.0), volume, 1.0)
    at = 10.0 * np.arange(len(flow))
    return shown(FlowLog(at, 10.0, level * flow / 6, measures, 0.02), reads)


def start_gpm(rank: np.ndarray) -> np.ndarray:
    """Starting flow of the meter that each sample draws."""
    first, states = ground_rows(np.array([ENTRY]), np.array([np.nan]))
    state = np.minimum((rank * states).astype(int), states - 1)
    return TABLE.start_gpm[np.arange(SAMPLES), first + state]


@pytest.mark.parametrize("factor", [0.6, 1.7], ids=["starts early", "starts late"])
@pytest.mark.parametrize("level", [0.98, 1.02], ids=["sensor low", "sensor high"])
def test_a_planted_curve_is_found_both_ways_whatever_the_sensors_level(factor, level) -> None:
    """PLANTED: a meter that starts, and climbs, at another flow than the catalog's."""
    rank = rank_given_log(
        EVEN, log_beside(moved_meter(METER, factor), level=level), TABLE, ENTRY, np.nan
    )
    before, after = (np.log(start_gpm(r) / METER.starting_gpm) for r in (EVEN, rank))
    assert abs(np.median(before)) < 0.3 * abs(np.log(factor))
    assert np.median(after) == pytest.approx(np.log(factor), abs=0.2)
    assert np.std(after) < 0.7 * np.std(before)


def test_a_sensors_level_alone_moves_no_curve() -> None:
    """LAW: what all flows have in common is left to the level."""
    low, high = (
        np.mean(
            np.log(
                start_gpm(
                    rank_given_log(EVEN, log_beside(METER, level=x), TABLE, ENTRY, np.nan)
                )
            )
        )
        for x in (0.97, 1.03)
    )
    assert low == pytest.approx(high, abs=0.15)


def test_a_log_without_shape_leaves_the_draw_as_it_was() -> None:
    log = log_beside(METER)
    one = np.isclose(log.interval_gpm, np.median(log.interval_gpm), rtol=0.05)
    flat = replace(log, **{n: getattr(log, n)[one] for n in FIELDS})
    np.testing.assert_array_equal(rank_given_log(EVEN, flat, TABLE, ENTRY, np.nan), EVEN)


FIELDS = ("start_s", "interval_gpm", "share", "day")


def test_a_coarse_register_says_little() -> None:
    log = log_beside(moved_meter(METER, 1.7))
    coarse = replace(log, resolution_gal=1e6)
    rank = rank_given_log(EVEN, coarse, TABLE, ENTRY, np.nan)
    assert kstest(rank, "uniform").statistic < 0.15


def test_truths_of_the_samples_own_kind_lie_inside_their_ranges() -> None:
    """LAW: of meters drawn as the samples are, nine of ten starts lie in the 90 % range."""
    rng = np.random.default_rng(7)
    inside = []
    for factor in np.exp(0.4 * rng.standard_normal(30)):
        log = log_beside(
            moved_meter(METER, factor), level=np.exp(0.012 * rng.standard_normal())
        )
        low, high = np.quantile(
            start_gpm(rank_given_log(EVEN, log, TABLE, ENTRY, np.nan)), [0.05, 0.95]
        )
        inside.append(low * 0.93 <= factor * METER.starting_gpm <= high * 1.07)
    assert np.mean(inside) >= 0.8


@pytest.mark.parametrize("factor", [0.6, 1.7])
def test_the_next_sweep_knows_the_installed_meters_registration_better(
    factor, monkeypatch
) -> None:
    """PLANTED: what it registers of its own flows, beside a sensor that reads 2 % high."""
    meter = moved_meter(METER, factor)
    log, flow = log_beside(meter, level=1.02), water(56)
    volume = reduce.reads_of(
        flow * registration_ratio(flow, meter), interval_min=60, resolution_gal=1.0
    )
    row = reduce.statistics(volume, interval_min=60, resolution_gal=1.0)
    block = reduce.block_of([row], ids=["a"], classes=["office"], meter_index=[ENTRY])
    true = float(registration_ratio(flow, meter) @ flow / flow.sum())

    known = {block.meter_id[0]: log}

    def apart() -> float:
        """Root mean square of the samples about the truth."""
        found = infer(
            block, METERS, load_priors(), samples=SAMPLES, seed=1, learnt=None, logs=known
        )  # fmt: skip
        told = (found.installed_gal_per_year / found.actual_gal_per_year)[:, 0]
        return float(np.sqrt(np.mean((told - true) ** 2)))

    told = apart()
    monkeypatch.setattr(Logs, "own_meter", lambda self, own_rank, *_: own_rank)
    assert told < apart()
