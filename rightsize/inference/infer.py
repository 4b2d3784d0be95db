"""Actual flow from a block of profiles: the entry point of the inference."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rightsize.contracts.profiles import ProfileBlock
from rightsize.demand.bands import (
    BAND_CENTRES_GPM,
    BAND_COUNT,
    band_of,
)
from rightsize.flow_logs.shown import LogShown
from rightsize.inference.logs.from_logs import Logs, Spreading
from rightsize.inference.logs.logged_flow import logged_accounts
from rightsize.inference.meter import censoring
from rightsize.inference.meter.censoring import LearntPrior
from rightsize.inference.meter.held_meters import HeldMeters, held_meters
from rightsize.inference.meter.registered_table import (
    RegisteredTable,
    ground_table,
    registered_table,
)
from rightsize.inference.meter.service import ServiceRecord, largest_flow_gpm
from rightsize.inference.peaks import actual_mean, crowding_of, peak_10s, sustained_registered
from rightsize.inference.posterior import BY_ACCOUNT, FlowPosterior
from rightsize.inference.reads import nights
from rightsize.inference.reads.interval_means import reads_of
from rightsize.inference.reads.signs import pulse_variance, rounding_of, signs_of
from rightsize.inference.spread import Flow, spread
from rightsize.inference.uniforms import Uniforms, uniforms_of
from rightsize.inference.water_use.kernel_choice import kernel_of, unit_scale
from rightsize.inference.water_use.kernels import pulse_kernel
from rightsize.inference.water_use.patterns import PEAK_MIN, Patterns, patterns_of
from rightsize.inference.water_use.priors import Priors, atoms_of
from rightsize.inference.water_use.pulses import variance_ratio
from rightsize.inference.water_use.use_edges import UseEdges
from rightsize.meters.catalogue import Meter
from rightsize.meters.uncertainty.installed_curves import PlacedCurves

Array = NDArray[np.floating[Any]]

CHUNK: Final = 64  # [accounts] worked at once, which bounds the memory
INTERVAL: Final = (0.05, 0.95)  # [1] quantiles of a published 90 % interval: convention
DAYS_PER_YEAR: Final = 365.25  # [days] Julian year: convention


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
        What is recorded of each service's line and pressure.
    logs : mapping, optional
        What flow logs show, by meter.

    Returns
    -------
    FlowPosterior
        Equally likely samples, intervals inside the model-free envelope.
    """
    meters = tuple(meters)
    unknown = np.full(block.size, np.nan)
    recorded = services or ServiceRecord(unknown, unknown)
    table, ground = registered_table(meters, samples, seed), ground_table(meters, samples, seed)
    parts = []
    for i in range(0, block.size, CHUNK):
        part = _rows(block, slice(i, i + CHUNK))
        told = None if installed is None else installed.cut(slice(i, i + CHUNK))
        u = uniforms_of(part.meter_id, count=samples, seed=seed)
        held = held_meters(part, meters, ground, told, u.own_meter, seed=seed)
        record = recorded.rows(slice(i, i + CHUNK))
        most = largest_flow_gpm(
            held.meters, record, priors.service, u.service_pressure, u.service_line
        )
        known = Logs(logged_accounts(part.meter_id, logs), seed)
        parts.append(_chunk(part, meters, table, held, priors, learnt, most, u, known))
    return _joined(parts)


def _rows(block: ProfileBlock, rows: slice | NDArray[np.int64]) -> ProfileBlock:
    index = np.arange(block.size)[rows]

    def cut(value: Any) -> Any:
        return tuple(value[i] for i in index) if isinstance(value, tuple) else value[index]

    return replace(block, **{name: cut(value) for name, value in vars(block).items()})


def _joined(parts: list[FlowPosterior]) -> FlowPosterior:
    return FlowPosterior(
        **{
            name: np.concatenate(
                [getattr(p, name) for p in parts], axis=0 if name in BY_ACCOUNT else 1
            )
            for name in vars(parts[0])
        }
    )


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
) -> FlowPosterior:
    rounding = rounding_of(block)
    steady = logs.steady(_steady(block, held, priors, learnt, rounding, u), block, held)
    how = _patterns(block, priors, steady, rounding, u)
    kinds, which = kernel_of(how)
    unit = how.unit_gpm * unit_scale(how, kinds, which)
    used, which = np.unique(which, return_inverse=True)
    resting = held.table.registered_gpm(steady.astype(np.float32), held.row)
    reads = reads_of(block, np.median(resting, axis=0))
    how_spread = Spreading(
        band=np.clip(band_of(unit.astype(np.float64)), 0, BAND_COUNT - 1),
        kernels=tuple(pulse_kernel(kinds[k]) for k in used),
        kernel=which.reshape(unit.shape),
        steady_gpm=steady.astype(np.float32),
        edges=UseEdges(how.edge_gpm, how.edge_part, how.edge_filled),
        table=held.table,
        installed=held.row,
    )
    flow = logs.flow(spread(reads, **vars(how_spread)), reads, how_spread, block, held)
    hour = actual_mean(sustained_registered(block, reads), flow, unit, steady)
    crowding = crowding_of(block, priors, u.crowding)
    return _posterior(
        block, meters, table, held, how, steady, flow, hour, crowding, most_gpm, u, logs
    )


def _patterns(
    block: ProfileBlock, priors: Priors, steady: Array, rounding: Array, u: Uniforms
) -> Patterns:
    """Patterns of each class's accounts, in the order of the block."""
    classes = np.array(block.customer_class)
    parts: list[tuple[NDArray[np.int64], Patterns]] = []
    for name in np.unique(classes):
        mine = np.flatnonzero(classes == name)
        part = _rows(block, mine)
        signs = signs_of(part, np.median(steady[:, mine], axis=0), rounding[mine])
        atoms = atoms_of(priors.of(str(name)))
        parts.append((mine, patterns_of(atoms, signs, u.of(mine))))
    order = np.argsort(np.concatenate([mine for mine, _ in parts]))
    return Patterns(
        **{
            name: np.concatenate([getattr(d, name) for _, d in parts], axis=1)[:, order]
            for name in vars(parts[0][1])
        }
    )


def _steady(
    block: ProfileBlock,
    held: HeldMeters,
    priors: Priors,
    learnt: LearntPrior | None,
    rounding: Array,
    u: Uniforms,
) -> Array:
    """Continuous flow [J, A]: registered at night, or possible below the starting flow."""
    law = censoring.steady_law(priors, learnt, block.customer_class)
    start = held.sampled_start_gpm
    shown = start * held.ratio_at(np.zeros(block.size))
    least = np.median(shown, axis=0)
    seen = nights.steady_seen(block, pulse_variance(block, rounding), law, least, u.steady_seen)
    odds = censoring.unseen_odds(law.share, law.centre_log, law.log_sd, start)
    size = censoring.unseen_size(u.steady_unseen_rank, law.centre_log, law.log_sd, start)
    unseen = np.where(u.steady_unseen < odds, size, 0.0)
    return np.asarray(np.where(seen > 0, held.actual_gpm(seen), unseen))


def _posterior(
    block: ProfileBlock,
    meters: tuple[Meter, ...],
    table: RegisteredTable,
    held: HeldMeters,
    how: Patterns,
    steady: Array,
    flow: Flow,
    sustained_gpm: Array,
    crowding: Array,
    most_gpm: Array,
    u: Uniforms,
    logs: Logs,
) -> FlowPosterior:
    registered = _registered(flow, table, steady)
    known = _registered(flow, table.as_known, steady)
    actual = flow.time_share @ BAND_CENTRES_GPM.astype(np.float32) + flow.idle_share * steady
    installed = held.registered_gpm(flow, steady)
    observed = block.registered_gal / np.maximum(block.days_covered, 1e-9) * DAYS_PER_YEAR
    scale = logs.scale(observed[None] / np.maximum(installed, 1e-12), block)
    by_index = np.take_along_axis(known, held.meter_index[None, :, None], axis=2)[..., 0]
    known *= (observed / np.maximum(np.where(held.is_own, installed, by_index), 1e-12))[
        ..., None
    ]
    low, high = held.bounds(block, meters, observed)
    peak = peak_10s(
        block,
        flow,
        held.ratio_at(block.max_interval_gpm),
        how.lift,
        crowding,
        most_gpm,
        u.peak_error,
        u.largest_read,
    )
    one = np.sqrt(
        variance_ratio(1.0, how.duration_min) / variance_ratio(PEAK_MIN, how.duration_min)
    )
    top_hour = np.minimum(block.max_hour_gpm[None], peak)
    one_min = top_hour + (peak - top_hour) * one
    peak, one_min = logs.peaks(peak, one_min, block, held, most_gpm)
    shares: Array = flow.time_share * BAND_CENTRES_GPM.astype(np.float32)
    shares /= np.maximum(actual, 1e-12)[..., None].astype(np.float32)
    shares = _with_idle(shares, flow.idle_share * steady / np.maximum(actual, 1e-12), steady)
    share_low, share_high = np.quantile(shares, INTERVAL, axis=0)
    actual_year = actual * scale
    return _widened(
        actual_gal_per_year=actual_year,
        registered_gal_per_year=np.clip(registered * scale[..., None], low[None], high[None]),
        installed_gal_per_year=np.broadcast_to(observed, steady.shape).copy(),
        peak_10s_gpm=peak,
        peak_1min_gpm=one_min,
        sustained_60min_gpm=np.minimum(sustained_gpm, one_min),
        unseen_gal_per_year=actual_year * _below(shares, held.starting_gpm),
        low_flow_share=_below(shares, held.normal_min_gpm),
        time_share=_with_idle(flow.time_share, flow.idle_share, steady).mean(axis=0),
        actual_volume_share=(shares * actual_year[..., None]).mean(axis=0)
        / np.maximum(actual_year.mean(axis=0), 1e-12)[:, None],
        actual_volume_share_low=share_low,
        actual_volume_share_high=share_high,
        registered_envelope_low=low,
        registered_envelope_high=high,
        known_curve_gal_per_year=np.clip(known, low[None], high[None]),
        steady_unseen_gal_per_year=np.where(
            steady < held.sampled_start_gpm, flow.idle_share * steady * scale, 0.0
        ),
    )


def _widened(**columns: Array) -> FlowPosterior:
    return FlowPosterior(**{k: np.asarray(v, dtype=np.float64) for k, v in columns.items()})


def _registered(flow: Flow, table: RegisteredTable, steady: Array) -> Array:
    """Mean flow that every meter registers [J, A, M]."""
    running = np.matmul(flow.time_share, table.by_band)
    return np.asarray(running + flow.idle_share[..., None] * _steady_registered(table, steady))


def _steady_registered(table: RegisteredTable, steady: Array) -> Array:
    """Registered flow of every meter at each steady flow [J, A, M]."""
    count = table.start_gpm.shape[1]
    flow = np.broadcast_to(steady.astype(np.float32)[..., None], (*steady.shape, count))
    return table.registered_gpm(flow, np.arange(count))


def _with_idle(shares: Array, idle: Array, steady: Array) -> Array:
    """Add the volume of continuous flow alone to its band."""
    out = shares.copy()
    band = band_of(steady.astype(np.float64))
    value = np.where(band >= 0, idle, 0)
    at = np.maximum(band, 0)[..., None]
    np.put_along_axis(out, at, np.take_along_axis(out, at, -1) + value[..., None], -1)
    return out


def _below(shares: Array, flow_gpm: Array) -> Array:
    """Sum of shares in bands below a flow [A]."""
    inside = BAND_CENTRES_GPM[None, :] < flow_gpm[:, None]
    return np.asarray(np.einsum("jab,ab->ja", shares, inside.astype(shares.dtype)))
