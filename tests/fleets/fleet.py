"""A fleet with its truth: reads at several intervals, and what every meter would register."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rightsize.demand.bands import BAND_COUNT, band_of
from rightsize.meters.curve import registration_matrix, registration_ratio
from tests.fleets import reduce, simulate, sites
from tests.fleets.catalogue import METERS

_FINE = np.concatenate([[0.0], np.geomspace(1e-3, 1e4, 7 * 400 + 1)])
INTERVALS = (60.0, 15.0, 1.0)
ALL_INTERVALS = (1440.0, 60.0, 30.0, 15.0, 5.0, 1.0)


@dataclass
class Truth:
    """What flowed, [A] and [A, M], per year."""

    site: list
    installed: np.ndarray
    actual_gal: np.ndarray
    registered_gal: np.ndarray
    peak_10s_gpm: np.ndarray
    sustained_60min_gpm: np.ndarray
    band_gal: np.ndarray  # [A, B] actual volume by flow band


def simulate_fleet(
    seed, *, sites_per_kind=5, meters=METERS, kinds=sites.KINDS, intervals=INTERVALS
):
    """Truth of a fleet and its ProfileBlock at each interval."""
    rng = sites.FleetRandom(seed)
    found, rows = [], {t: [] for t in intervals}
    columns = {
        k: [] for k in ("installed", "actual", "registered", "peak", "sustained", "band")
    }
    for kind in kinds:
        for _ in range(sites_per_kind):
            site = kind(rng)
            flow = simulate.flow_10s(site, rng)
            truth = _truth(flow, meters)
            installed = _installed(truth, meters, rng)
            for key in ("actual", "registered", "peak", "sustained", "band"):
                columns[key].append(truth[key])
            columns["installed"].append(installed)
            found.append(site)
            _add_reads(rows, flow, meters[installed], rng)
    truth = Truth(found, *(np.array(columns[k]) for k in columns))
    ids = [f"{seed}-{i}" for i in range(len(found))]
    classes = [s.customer_class for s in found]
    blocks = {
        t: reduce.block_of(rows[t], ids=ids, classes=classes, meter_index=truth.installed)
        for t in intervals
    }
    return truth, blocks


def _add_reads(rows, flow, meter, rng):
    resolution = float(rng.choice([1.0, 1.0, 1.0, 10.0]))
    if meter.size_in >= 3:
        resolution = max(resolution, float(rng.choice([1.0, 10.0])))
    registered = _registered(flow, meter)
    for interval in rows:
        volume = reduce.reads_of(registered, interval_min=interval, resolution_gal=resolution)
        rows[interval].append(
            reduce.statistics(volume, interval_min=interval, resolution_gal=resolution)
        )


def _registered(flow, meter):
    table = np.geomspace(1e-4, 1e4, 8000)
    ratio = registration_ratio(table, meter)
    at = np.log(np.maximum(flow, 1e-4) / 1e-4) / np.log(table[1] / table[0])
    out = ratio[np.minimum(at.astype(np.int32), len(table) - 1)] * flow
    return np.where(flow < meter.starting_gpm, 0, out).astype(np.float32)


def _truth(flow, meters):
    count, _ = np.histogram(flow, _FINE)
    volume, _ = np.histogram(flow, _FINE, weights=flow / 6)
    centre = volume * 6 / np.maximum(count, 1)
    ratio = registration_matrix(meters, np.maximum(centre, 1e-9))
    hours = np.sort(flow.reshape(-1, 360).mean(axis=1))
    top = np.sort(np.partition(flow, len(flow) - 100)[-100:])
    return {
        "band": np.bincount(np.maximum(band_of(centre), 0), volume, BAND_COUNT),
        "actual": volume.sum(),
        "registered": ratio @ volume,
        "peak": float(top[-int(np.ceil(1e-5 * len(flow)))]),
        "sustained": float(hours[int((1 - 0.005) * len(hours))]),
    }


def _installed(truth, meters, rng):
    """The meter that stands there: often too large, sometimes right, small or wrong."""
    kind = rng.choice(
        ["displacement", "turbine", "compound", "ultrasonic"], p=[0.36, 0.36, 0.23, 0.05]
    )
    of_type = [
        i for i, m in enumerate(meters) if m.meter_type == kind and m.grade == "standard"
    ]
    carries = [
        i
        for i in of_type
        if meters[i].smoc_gpm >= truth["peak"]
        and meters[i].continuous_gpm >= truth["sustained"]
    ]
    fit = of_type.index(carries[0]) if carries else len(of_type) - 1
    step = int(rng.choice([-1, 0, 1, 2, 3], p=[0.06, 0.3, 0.34, 0.2, 0.1]))
    return of_type[int(np.clip(fit + step, 0, len(of_type) - 1))]
