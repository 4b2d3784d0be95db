"""A fleet with its truth: reads at several intervals, and what every meter would register."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rightsize.demand.bands import BAND_COUNT, band_of
from rightsize.meters.curve import registration_matrix, registration_ratio
from tests.fleets import ground, reduce, simulate, sites
from tests.fleets.catalogue import METERS
from tests.fleets.unseen import unseen_of

_FINE = np.concatenate([[0.0], np.geomspace(1e-3, 1e4, 7 * 400 + 1)])
INTERVALS = (60.0, 15.0, 1.0)
ALL_INTERVALS = (1440.0, 60.0, 30.0, 15.0, 5.0, 1.0)
SERVICE_PSI = (35.0, 65.0)  # a service may lose so much of its pressure at the peak
LINE_LOSS_SHARE = 0.5  # of the head that the meter loses, lost in a service line beside it
HALF_A_YEAR = 183
SMALL_PEAK_GPM = 12.0  # below it no one sets a turbine or a compound


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
    installed_gal: np.ndarray  # [A] what the meter in the ground registers
    other_makes_gal: np.ndarray  # [A, M] as `registered_gal`, by new meters of other makes
    unseen_gal: np.ndarray  # [A, K, B] as `band_gal`, by what no read can tell apart
    unseen_installed_gal: np.ndarray  # [A, K]
    age_years: np.ndarray  # [A] of the meter in the ground, as the meter list tells it


@dataclass(frozen=True)
class Wrongs:
    """What is not as the lists say: in the ground, in the class, in the reads."""

    curves: bool = False  # meters in the ground are not the catalogue's
    class_share: float = 0.0  # accounts listed under another class
    coarse: bool = False  # registers of coarse steps
    half_share: float = 0.0  # accounts with half a year of reads


NOTHING_WRONG = Wrongs()
ALL_WRONG = Wrongs(curves=True, class_share=0.1, coarse=True, half_share=0.25)


def simulate_fleet(
    seed, *, sites_per_kind=5, meters=METERS, kinds=sites.KINDS, intervals=INTERVALS,
    wrongs=NOTHING_WRONG, keep=None,
):  # fmt: skip
    """Truth of a fleet and its ProfileBlock at each interval."""
    rng = sites.FleetRandom(seed)

    def flows():
        for kind in kinds:
            for _ in range(sites_per_kind):
                site = kind(rng)
                yield site, simulate.flow_10s(site, rng)

    return fleet_of(flows(), seed, rng, meters=meters, intervals=intervals, wrongs=wrongs,
                    keep=keep)  # fmt: skip


def fleet_of(flows, seed, rng, *, meters, intervals, wrongs=NOTHING_WRONG, keep=None):
    """Truth and ProfileBlocks of sites with their flow: pairs of site and flow [STEPS].

    `keep` is told of each site: number, site, its flow, the meter in the ground, its register.
    """
    rows, found, classes = {t: [] for t in intervals}, [], []
    own = np.random.default_rng([seed, 77])  # apart from that of the sites
    ages = np.random.default_rng([seed, 78])
    bought = ground.other_makes(meters, own) if wrongs.curves else tuple(meters)
    keys = (
        "installed", "actual", "registered", "peak", "sustained", "band", "installed_gal",
        "other_makes", "unseen", "unseen_installed", "age_years",
    )  # fmt: skip
    columns = {k: [] for k in keys}
    for site, wanted in flows:
        installed = _installed(_peaks(wanted), meters, rng)
        flow = _passed(wanted, meters[installed], own)
        held, age = _held(meters[installed], wrongs, own, ages)
        truth = _truth(flow, meters, bought) | {"installed": installed, "age_years": age}
        truth["installed_gal"] = _registered_gal(flow, held)
        truth["unseen"], truth["unseen_installed"] = unseen_of(_by_flow, site, held, flow)
        for key in keys:
            columns[key].append(truth[key])
        found.append(site)
        classes.append(_listed_class(site.customer_class, wrongs, own))
        step = _add_reads(rows, _read_part(flow, wrongs, own), held, rng, own,
                          coarse=wrongs.coarse)  # fmt: skip
        if keep is not None:
            keep(len(found) - 1, site, flow, held, step)
    truth = Truth(found, *(np.array(columns[k]) for k in keys))
    ids = [f"{seed}-{i}" for i in range(len(found))]
    blocks = {
        t: reduce.block_of(rows[t], ids=ids, classes=classes, meter_index=truth.installed)
        for t in intervals
    }
    return truth, blocks


def _held(meter, wrongs, rng, ages):
    """The meter in the ground and its age: as its entry says only while it is young."""
    if not wrongs.curves:
        return meter, float(ages.uniform(0, ground.YOUNG_YEARS))
    age = ground.age_of(ages)
    return ground.in_the_ground(meter, rng, age), age


def _passed(wanted, meter, rng):
    """What the service lets through: what its pressure pushes through meter and line."""
    spare_psi = rng.uniform(*SERVICE_PSI)
    lost_psi = meter.head_loss_psi_at_smoc * (1 + LINE_LOSS_SHARE)
    return np.minimum(wanted, np.float32(meter.smoc_gpm * np.sqrt(spare_psi / lost_psi)))


def _listed_class(customer_class, wrongs, rng):
    if rng.random() >= wrongs.class_share:
        return customer_class
    others = [k for k in ("office", "retail", "restaurant", "apartments", "school", "warehouse",
                          "light_industry", "public") if k != customer_class]  # fmt: skip
    return str(rng.choice(others))


def _read_part(flow, wrongs, rng):
    """The part of the year that reads cover."""
    if rng.random() >= wrongs.half_share:
        return flow
    first = int(rng.integers(0, simulate.DAYS - HALF_A_YEAR) // 7 * 7)
    return flow[first * 8640 : (first + HALF_A_YEAR) * 8640]


def _add_reads(rows, flow, meter, rng, own, *, coarse):
    resolution = float(rng.choice([1.0, 1.0, 1.0, 10.0]))
    if meter.size_in >= 3:
        resolution = max(resolution, float(rng.choice([1.0, 10.0])))
    if coarse:
        resolution = float(
            own.choice([10.0, 10.0, 74.8] if meter.size_in < 3 else [10.0, 100.0])
        )
    registered = registered_flow(flow, meter)
    for interval in rows:
        volume = reduce.reads_of(registered, interval_min=interval, resolution_gal=resolution)
        rows[interval].append(
            reduce.statistics(volume, interval_min=interval, resolution_gal=resolution)
        )
    return resolution


def registered_flow(flow, meter):
    """What a meter registers of flow, step by step [gpm]."""
    table = np.geomspace(1e-4, 1e4, 8000)
    ratio = registration_ratio(table, meter)
    at = np.log(np.maximum(flow, 1e-4) / 1e-4) / np.log(table[1] / table[0])
    out = ratio[np.minimum(at.astype(np.int32), len(table) - 1)] * flow
    return np.where(flow < meter.starting_gpm, 0, out).astype(np.float32)


def _registered_gal(flow, meter):
    volume, centre = _by_flow(flow)
    return float(registration_ratio(np.maximum(centre, 1e-9), meter) @ volume)


def _by_flow(flow):
    """Volume [gal] and mean flow of fine steps of flow; steps that hold none add nothing."""
    at = np.log10(np.maximum(flow, 1e-3)) * 400 + 1201
    at = np.minimum(at.astype(np.int32), len(_FINE) - 1)
    count = np.bincount(at, minlength=len(_FINE))
    volume = np.bincount(at, flow, len(_FINE)) / 6
    return volume, volume * 6 / np.maximum(count, 1)


def _truth(flow, meters, bought):
    volume, centre = _by_flow(flow)
    listed, other = (
        registration_matrix(m, np.maximum(centre, 1e-9)) @ volume for m in (meters, bought)
    )
    return {
        "band": np.bincount(np.maximum(band_of(centre), 0), volume, BAND_COUNT),
        "actual": volume.sum(), "registered": listed, "other_makes": other, **_peaks(flow),
    }  # fmt: skip


def _peaks(flow):
    hours = np.sort(flow.reshape(-1, 360).mean(axis=1))
    top = np.sort(np.partition(flow, len(flow) - 100)[-100:])
    return {
        "peak": float(top[-int(np.ceil(1e-5 * len(flow)))]),
        "sustained": float(hours[int((1 - 0.005) * len(hours))]),
    }


def _installed(truth, meters, rng):
    """The meter that stands there: often too large, sometimes right, small or wrong."""
    kind = rng.choice(
        ["displacement", "turbine", "compound", "ultrasonic"], p=[0.36, 0.36, 0.23, 0.05]
    )
    if truth["peak"] < SMALL_PEAK_GPM and kind in ("turbine", "compound"):
        kind = "displacement"
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
