"""Actual flow from a block of profiles: the entry point of the inference."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rightsize.contracts.profiles import ProfileBlock
from rightsize.demand.bands import (
    BAND_CENTRES_GPM,
)
from rightsize.flow_logs.shown import LogShown
from rightsize.inference.logs.from_logs import Logs
from rightsize.inference.meter.censoring import LearntPrior
from rightsize.inference.meter.ground import ground_table
from rightsize.inference.meter.held_meters import HeldMeters, held_meters
from rightsize.inference.meter.registered_table import RegisteredTable, registered_table
from rightsize.inference.meter.service import ServiceRecord, largest_flow_gpm
from rightsize.inference.peaks import actual_mean, crowding_of, peak_10s, sustained_registered
from rightsize.inference.posterior import BY_ACCOUNT, FlowPosterior
from rightsize.inference.read_flows import (
    ReadFlows,
    by_hours_where_coarse,
    read_flows,
    rows_of,
)
from rightsize.inference.reads.signs import rounding_of
from rightsize.inference.samples import quantiles
from rightsize.inference.shares import below, with_idle
from rightsize.inference.spread import Flow
from rightsize.inference.uniforms import Uniforms, uniforms_of
from rightsize.inference.water_use.patterns import PEAK_MIN
from rightsize.inference.water_use.priors import Priors
from rightsize.inference.water_use.pulses import variance_ratio
from rightsize.meters.catalogue import Meter
from rightsize.meters.uncertainty.installed_curves import PlacedCurves

Array = NDArray[np.floating[Any]]

CHUNK: Final = 32  # [accounts] worked at once, which bounds the memory
INTERVAL: Final = (0.05, 0.95)  # [1] quantiles of a published 90 % interval: convention
DAYS_PER_YEAR: Final = 365.25  # [days] Julian year: convention


@dataclass(frozen=True)
class Peaks:
    """Largest flows [gpm, J x A]."""

    peak_10s_gpm: Array
    peak_1min_gpm: Array
    sustained_gpm: Array


def infer(
    block: ProfileBlock,
    meters: Sequence[Meter],
    priors: Priors,
    *,
    samples: int,
    seed: int,
    learnt: LearntPrior | None,
    installed: PlacedCurves | None = None,
    services: ServiceRecord | None = None,
    logs: Mapping[str, LogShown] | None = None,
) -> FlowPosterior:
    """Joint samples of the actual flow at each account of a block.

    Parameters
    ----------
    block : ProfileBlock
        Profiles of A meters in service.
    meters : sequence of Meter
        Catalog of M meters; `block.meter_index` points into it.
    priors : Priors
        Class priors.
    samples : int
        Joint samples J per account.
    seed : int
        Seed of the samples. An account's samples follow from it and the meter's id alone.
    learnt : LearntPrior or None
        What the fleet shows of steady flow; the class priors where None.
    installed : PlacedCurves, optional
        Curves of installed meters that tests or a stated wear tell apart from the catalog's.
        The reads are inverted through them; every candidate, also of the installed type and
        size, keeps the catalog's curve.
    services : ServiceRecord, optional
        What is recorded of each service's line and pressure, and of its meter's age.
    logs : mapping, optional
        What flow logs show, by meter.

    Returns
    -------
    FlowPosterior
        Equally likely samples, intervals inside the model-free envelope.
    """
    meters = tuple(meters)
    unknown = np.full(block.size, np.nan)
    recorded = services or ServiceRecord(unknown, unknown, unknown)
    table, ground = registered_table(meters, samples, seed), ground_table(meters, samples, seed)
    known = Logs(logs or {}, seed)
    found: dict[str, NDArray[np.float64]] = {}
    for i in range(0, block.size, CHUNK):
        part = rows_of(block, slice(i, i + CHUNK))
        told = None if installed is None else installed.cut(slice(i, i + CHUNK))
        u = uniforms_of(part.meter_id, count=samples, seed=seed)
        is_told = np.zeros(part.size, dtype=bool) if told is None else told.index >= 0
        record = recorded.rows(slice(i, i + CHUNK))
        # tests and stated wear tell what age would
        age = np.where(is_told, np.nan, record.meter_age_years)
        own = known.own_meter(u.own_meter, part, ground, is_told, age)
        held = held_meters(part, meters, ground, told, own, age, seed=seed)
        most = largest_flow_gpm(
            held.meters, record, priors.service, u.service_pressure, u.service_line
        )
        mine = _chunk(part, meters, table, held, priors, learnt, most, u, known)
        _put_in(found, mine, i, block.size)
    return FlowPosterior(**found)


def _put_in(
    whole: dict[str, NDArray[np.float64]], part: dict[str, Array], start: int, size: int
) -> None:
    """Write a chunk's columns in their place among those of `size` accounts."""
    for name, value in part.items():
        axis = 0 if name in BY_ACCOUNT else 1
        if name not in whole:
            shape = (*value.shape[:axis], size, *value.shape[axis + 1 :])
            whole[name] = np.empty(shape)
        rows = slice(start, start + value.shape[axis])
        whole[name][rows if axis == 0 else (slice(None), rows)] = value


def _chunk(
    block: ProfileBlock,
    meters: tuple[Meter, ...],
    table: RegisteredTable,
    held: HeldMeters,
    priors: Priors,
    learnt: LearntPrior | None,
    most_gpm: Array,
    u: Uniforms,
    logs: Logs,
) -> dict[str, Array]:
    rounding = rounding_of(block)
    short = read_flows(block, held, priors, learnt, rounding, u, logs)
    whole = by_hours_where_coarse(short, block, held, priors, learnt, rounding, u, logs)
    hour = actual_mean(
        sustained_registered(block, whole.reads), whole.flow, whole.unit_gpm, whole.steady_gpm
    )
    crowding = crowding_of(block, priors, u.crowding)
    bounds = held.bounds(block, meters, _registered_year(block))
    peak = peak_10s(
        block,
        short.flow,
        held.ratio_at(block.max_interval_gpm),
        short.how.lift,
        crowding,
        most_gpm,
        u.peak_error,
        u.largest_read,
    )
    minute = _peak_1min(block, peak, short.how.duration_min)
    peaks = Peaks(*logs.peaks(peak, minute, block, held, most_gpm), hour)
    return _posterior(block, meters, table, held, bounds, whole, peaks, logs)


def _peak_1min(block: ProfileBlock, peak_10s_gpm: Array, duration_min: Array) -> Array:
    """Largest flow of a minute [gpm, J x A]: between the largest hour and the 10 s peak."""
    part = np.sqrt(variance_ratio(1.0, duration_min) / variance_ratio(PEAK_MIN, duration_min))
    top_hour = np.minimum(block.max_hour_gpm[None], peak_10s_gpm)
    return np.asarray(top_hour + (peak_10s_gpm - top_hour) * part)


def _posterior(
    block: ProfileBlock,
    meters: tuple[Meter, ...],
    table: RegisteredTable,
    held: HeldMeters,
    bounds: tuple[Array, Array],
    found: ReadFlows,
    peaks: Peaks,
    logs: Logs,
) -> dict[str, Array]:
    flow, steady = found.flow, found.steady_gpm
    registered = _registered(flow, table, steady)
    known = _registered(flow, table.as_known, steady)
    actual = flow.time_share @ BAND_CENTRES_GPM.astype(np.float32) + flow.idle_share * steady
    installed = held.registered_gpm(flow, steady)
    observed = _registered_year(block)
    scale = logs.scale(observed[None] / np.maximum(installed, 1e-12), block)
    by_index = np.take_along_axis(known, held.meter_index[None, :, None], axis=2)[..., 0]
    known *= (observed / np.maximum(np.where(held.is_own, installed, by_index), 1e-12))[
        ..., None
    ]
    low, high = bounds
    shares: Array = flow.time_share * BAND_CENTRES_GPM.astype(np.float32)
    shares /= np.maximum(actual, 1e-12)[..., None].astype(np.float32)
    shares = with_idle(shares, flow.idle_share * steady / np.maximum(actual, 1e-12), steady)
    by_band = np.ascontiguousarray(np.moveaxis(shares, 0, -1))  # samples side by side
    share_low, share_high = quantiles(by_band, INTERVAL)
    actual_year = actual * scale
    return {
        "actual_gal_per_year": actual_year,
        "registered_gal_per_year": np.clip(
            registered * scale[..., None], low[None], high[None]
        ),
        "installed_gal_per_year": np.broadcast_to(observed, steady.shape).copy(),
        "peak_10s_gpm": peaks.peak_10s_gpm,
        "peak_1min_gpm": peaks.peak_1min_gpm,
        "sustained_60min_gpm": np.minimum(peaks.sustained_gpm, peaks.peak_1min_gpm),
        "unseen_gal_per_year": actual_year * below(shares, held.starting_gpm),
        "low_flow_share": below(shares, held.normal_min_gpm),
        "time_share": with_idle(flow.time_share, flow.idle_share, steady).mean(axis=0),
        "actual_volume_share": (shares * actual_year[..., None]).mean(axis=0)
        / np.maximum(actual_year.mean(axis=0), 1e-12)[:, None],
        "actual_volume_share_low": share_low,
        "actual_volume_share_high": share_high,
        "registered_envelope_low": low,
        "registered_envelope_high": high,
        "known_curve_gal_per_year": np.clip(known, low[None], high[None]),
        "steady_unseen_gal_per_year": np.where(
            steady < held.sampled_start_gpm, flow.idle_share * steady * scale, 0.0
        ),
        "steady_gpm": steady,
        "installed_test_ratio": held.test_ratio,
    }


def _registered_year(block: ProfileBlock) -> Array:
    """Registered volume of a year of such days [gal, A]."""
    return np.asarray(
        block.registered_gal / np.maximum(block.days_covered, 1e-9) * DAYS_PER_YEAR
    )


def _registered(flow: Flow, table: RegisteredTable, steady: Array) -> Array:
    """Mean flow that every meter registers [J, A, M]."""
    running = np.matmul(flow.time_share, table.by_band)
    return np.asarray(running + flow.idle_share[..., None] * _steady_registered(table, steady))


def _steady_registered(table: RegisteredTable, steady: Array) -> Array:
    """Registered flow of every meter at each steady flow [J, A, M]."""
    meter = np.arange(table.start_gpm.shape[1])
    return table.registered_gpm(steady.astype(np.float32)[..., None], meter)
