"""What really flowed, from a block of profiles: the entry point of the inference."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from rightsize.contracts.profiles import ProfileBlock
from rightsize.demand.bands import (
    BAND_CENTRES_GPM,
    BAND_COUNT,
    BAND_EDGES_GPM,
    BANDS_PER_DECADE,
    band_of,
)
from rightsize.inference import censoring, design
from rightsize.inference.candidates import (
    INTENSITY_CV,
    PEAK_MIN,
    RATIOS,
    SHARES,
    SINGLE_SHARES,
    Draws,
    draw_candidates,
    pulse_variance,
    signs_of,
)
from rightsize.inference.censoring import FleetPrior
from rightsize.inference.envelope import registered_bounds
from rightsize.inference.kernels import EDGES, KernelKind, pulse_kernel
from rightsize.inference.posterior import FlowPosterior
from rightsize.inference.priors import Priors, atoms_of
from rightsize.inference.pulses import variance_ratio
from rightsize.inference.rounding import unrounded
from rightsize.inference.spread import Flow, Reads, RegisteredTable, registered_table, spread
from rightsize.meters.catalogue import Meter

Array = NDArray[np.floating[Any]]

CHUNK: Final = 64
PEAK_EXCEEDED: Final = 1e-5
SUSTAINED_EXCEEDED: Final = 0.005
_DIMENSIONS: Final = 9
_LONG_PEAK_SD: Final = 0.45  # more for reads of a whole day
_DAY_LOG_SD: Final = 0.55  # of the hours of a day about its mean
SINGLE_RATIOS: Final = (1.5, 4.0, 10.0, 25.0, 80.0)
_PEAK_MODEL_SD: Final = (0.09, 0.12)  # log error of the model's peak: fine and hourly reads


def infer(
    block: ProfileBlock,
    meters: Sequence[Meter],
    priors: Priors,
    *,
    draws: int,
    seed: int,
    fleet: FleetPrior | None,
) -> FlowPosterior:
    """Joint draws of what flowed at each account of a block.

    Parameters
    ----------
    block : ProfileBlock
        Profiles of A meters in service.
    meters : sequence of Meter
        Catalogue of M meters; `block.meter_index` points into it.
    priors : Priors
        Class priors.
    draws : int
        Joint draws J per account.
    seed : int
        Seed of the draws. An account's draws follow from it and the meter's id alone.
    fleet : FleetPrior or None
        What the fleet shows of steady flow; the class priors where None.

    Returns
    -------
    FlowPosterior
        Equally weighted draws, intervals inside the model-free envelope.
    """
    meters = tuple(meters)
    table = registered_table(meters, draws, seed)
    parts = [
        _chunk(_rows(block, slice(i, i + CHUNK)), meters, table, priors, draws, seed, fleet)
        for i in range(0, block.size, CHUNK)
    ]
    return _joined(parts)


def _rows(block: ProfileBlock, rows: slice | NDArray[np.int64]) -> ProfileBlock:
    index = np.arange(block.size)[rows]

    def cut(value: Any) -> Any:
        return tuple(value[i] for i in index) if isinstance(value, tuple) else value[index]

    return replace(block, **{name: cut(value) for name, value in vars(block).items()})


def _joined(parts: list[FlowPosterior]) -> FlowPosterior:
    by_account = {
        "time_share", "actual_volume_share", "actual_volume_share_low",
        "actual_volume_share_high", "registered_envelope_low", "registered_envelope_high",
    }  # fmt: skip
    return FlowPosterior(
        **{
            name: np.concatenate(
                [getattr(p, name) for p in parts], axis=0 if name in by_account else 1
            )
            for name in vars(parts[0])
        }
    )


def _chunk(
    block: ProfileBlock,
    meters: tuple[Meter, ...],
    table: RegisteredTable,
    priors: Priors,
    draws: int,
    seed: int,
    fleet: FleetPrior | None,
) -> FlowPosterior:
    u = design.uniforms(block.meter_id, count=draws, dimensions=_DIMENSIONS, seed=seed)
    steady = _steady(block, meters, priors, fleet, u)
    how = _draws(block, priors, steady, u)
    kinds, which = _kernel_of(how)
    unit = how.unit_gpm * _unit_scale(how, kinds, which)
    used, which = np.unique(which, return_inverse=True)
    reads = _reads(block)
    flow = spread(
        reads,
        band=np.clip(band_of(unit.astype(np.float64)), 0, BAND_COUNT - 1),
        kernels=tuple(pulse_kernel(kinds[k]) for k in used),
        kernel=which.reshape(unit.shape),
        steady_gpm=steady.astype(np.float32),
        table=table,
        installed=block.meter_index,
    )
    hour = _actual_mean(_sustained(block, reads), flow, unit, steady)
    crowding = _crowding(block, priors, u)
    return _posterior(block, meters, table, how, steady, flow, hour, crowding, u)


_KINDS: Final = (
    KernelKind(INTENSITY_CV),
    *(KernelKind(INTENSITY_CV, r, s) for r in RATIOS for s in SHARES),
    *(
        KernelKind(INTENSITY_CV, r, s, is_single=True)
        for r in SINGLE_RATIOS
        for s in SINGLE_SHARES
    ),
)


def _kernel_of(how: Draws) -> tuple[tuple[KernelKind, ...], NDArray[np.int64]]:
    """The nearest kernel of each draw [J, A]."""
    share = np.argmin(np.abs(how.share[..., None] - np.array(SHARES)), axis=-1)
    share_alone = np.argmin(np.abs(how.share[..., None] - np.array(SINGLE_SHARES)), axis=-1)
    log_ratio = np.log(np.maximum(how.ratio, 1e-3))[..., None]
    paired = np.argmin(np.abs(log_ratio - np.log(RATIOS)), axis=-1)
    alone = np.argmin(np.abs(log_ratio - np.log(SINGLE_RATIOS)), axis=-1)
    count = len(SHARES)
    which = np.where(how.ratio == 1.0, 0, 1 + paired * count + share)
    singles = 1 + len(RATIOS) * count + alone * len(SINGLE_SHARES) + share_alone
    return _KINDS, np.where(how.is_single, singles, which)


def _unit_scale(how: Draws, kinds: tuple[KernelKind, ...], which: NDArray[np.int64]) -> Array:
    """Factor on the unit that keeps what matters when the nearest kernel is not exact.

    Of draws run one at a time the large intensity is kept, of others the mean intensity.
    """
    ratio = np.array([k.ratio for k in kinds])[which]
    share = np.array([k.share for k in kinds])[which]
    mean = (1 - how.share + how.share * how.ratio) / (1 - share + share * ratio)
    return np.asarray(np.where(how.is_single, how.ratio / ratio, mean))


def _draws(block: ProfileBlock, priors: Priors, steady: Array, u: Array) -> Draws:
    """Candidates of each class's accounts, put together in the order of the block."""
    classes = np.array(block.customer_class)
    parts: list[tuple[NDArray[np.int64], Draws]] = []
    for name in np.unique(classes):
        mine = np.flatnonzero(classes == name)
        part = _rows(block, mine)
        signs = signs_of(part, np.median(steady[:, mine], axis=0))
        atoms = atoms_of(priors.of(str(name)))
        parts.append((mine, draw_candidates(atoms, signs, u[:, mine, 5:8])))
    order = np.argsort(np.concatenate([mine for mine, _ in parts]))
    return Draws(
        **{
            name: np.concatenate([getattr(d, name) for _, d in parts], axis=1)[:, order]
            for name in vars(parts[0][1])
        }
    )


def _steady(
    block: ProfileBlock,
    meters: tuple[Meter, ...],
    priors: Priors,
    fleet: FleetPrior | None,
    u: Array,
) -> Array:
    """Flow under the draws [J, A]: seen at night, or possible below the meter's start."""
    known = [
        (fleet.steady.get(c) if fleet else None) or priors.of(c).steady
        for c in block.customer_class
    ]
    share = np.array([k.share for k in known])
    centre = np.log([k.flow_gpm for k in known])
    log_sd = np.array([k.log_sd for k in known])
    start = np.array([m.starting_gpm for m in meters])[block.meter_index]
    night = censoring.night_quantile(block, 0.1)
    seen = censoring.steady_seen(block, pulse_variance(block), ndtri(u[..., 2]))
    odds = censoring.unseen_odds(share, centre, log_sd, start)
    size = censoring.unseen_size(u[..., 3], centre, log_sd, start)
    unseen = np.where(u[..., 2] < odds, size, 0.0)
    return np.asarray(np.where(night[None] > 0, seen, unseen))


def _reads(block: ProfileBlock) -> Reads:
    step = block.resolution_gal / block.interval_min
    count, zero = unrounded(block.band_count, block.zero_count, step)
    share = count / np.maximum(count.sum(axis=1) + zero, 1)[:, None]
    share = np.where((block.interval_min > 60)[:, None], _by_hours(share, block), share)
    zero_share = np.maximum(1 - share.sum(axis=1), 0.0)
    start = np.zeros((block.size, 1))
    return Reads(np.concatenate([start, np.cumsum(share, axis=1)], axis=1), zero_share)


def _by_hours(share: Array, block: ProfileBlock) -> Array:
    """Means of intervals longer than an hour spread over their hours [A, B].

    Use follows the day: the hours of a day stand to its mean as lognormal factors, wider the
    longer the interval (our convention; an ordinary demand pattern has a coefficient of
    variation near 0.6 over the day). The mean of every interval is kept.
    """
    part = np.minimum(np.log(np.maximum(block.interval_min, 60) / 60) / np.log(24), 1.0)
    out = np.zeros_like(share)
    for level in np.unique(part):
        mine = part == level
        sd = _DAY_LOG_SD * np.sqrt(level)
        for z, weight in zip(*np.polynomial.hermite_e.hermegauss(9), strict=True):
            shift = (sd * z - sd**2 / 2) / np.log(10) * BANDS_PER_DECADE
            low = int(np.floor(shift))
            for move, part_of in ((low, 1 - (shift - low)), (low + 1, shift - low)):
                out[mine] += weight / np.sqrt(2 * np.pi) * part_of * _moved(share[mine], move)
    return out


def _moved(share: Array, bands: int) -> Array:
    """Shares a number of bands up (or down), piled up at the ends."""
    index = np.clip(np.arange(share.shape[1]) + bands, 0, share.shape[1] - 1)
    out = np.zeros_like(share)
    np.add.at(out.T, index, share.T)
    return out


def _posterior(
    block: ProfileBlock,
    meters: tuple[Meter, ...],
    table: RegisteredTable,
    how: Draws,
    steady: Array,
    flow: Flow,
    sustained_gpm: Array,
    crowding: Array,
    u: Array,
) -> FlowPosterior:
    registered = np.matmul(flow.time, table.by_band)
    registered = registered + flow.idle[..., None] * _steady_registered(table, steady)
    actual = flow.time @ BAND_CENTRES_GPM.astype(np.float32) + flow.idle * steady
    installed = np.take_along_axis(registered, block.meter_index[None, :, None], axis=2)[..., 0]
    observed = block.registered_gal / np.maximum(block.days_covered, 1e-9) * 365.25
    scale = observed[None] / np.maximum(installed, 1e-12)
    low, high = registered_bounds(block, meters, observed)
    peak = _crowded(_peak(flow, steady), block.max_interval_gpm, crowding)
    hour = np.sqrt(np.minimum(block.interval_min / 60, 1.0))
    long = np.log(np.maximum(block.interval_min / 60, 1.0)) / np.log(24)
    model_sd = (
        _LONG_PEAK_SD * long
        + _PEAK_MODEL_SD[0]
        + (_PEAK_MODEL_SD[1] - _PEAK_MODEL_SD[0]) * hour
    )
    peak = peak * np.exp(model_sd * ndtri(u[..., 4]))
    peak = _with_register(peak, block.peak_register_gpm, u[..., 4])
    filled = block.interval_min >= 15  # the largest interval lasts longer than the peak may
    peak = np.where(filled, np.maximum(peak, block.max_interval_gpm), peak)
    one = np.sqrt(
        variance_ratio(1.0, how.duration_min) / variance_ratio(PEAK_MIN, how.duration_min)
    )
    top_hour = np.minimum(block.max_hour_gpm[None], peak)
    one_min = top_hour + (peak - top_hour) * one
    shares: Array = flow.time * BAND_CENTRES_GPM.astype(np.float32)
    shares /= np.maximum(actual, 1e-12)[..., None].astype(np.float32)
    shares = _with_idle(shares, flow.idle * steady / np.maximum(actual, 1e-12), steady)
    share_low, share_high = np.quantile(shares, [0.05, 0.95], axis=0)
    starts = np.array([m.starting_gpm for m in meters])[block.meter_index]
    normal = np.array([m.normal_min_gpm for m in meters])[block.meter_index]
    actual_year = actual * scale
    return _widened(
        weight=np.full(steady.shape, 1 / len(steady)),
        actual_gal_per_year=actual_year,
        registered_gal_per_year=np.clip(registered * scale[..., None], low[None], high[None]),
        installed_gal_per_year=np.broadcast_to(observed, steady.shape).copy(),
        peak_10s_gpm=peak,
        peak_1min_gpm=one_min,
        sustained_60min_gpm=np.minimum(sustained_gpm, one_min),
        unseen_gal_per_year=actual_year * _below(shares, starts),
        low_flow_share=_below(shares, normal),
        time_share=_with_idle(flow.time, flow.idle, steady).mean(axis=0),
        actual_volume_share=shares.mean(axis=0),
        actual_volume_share_low=share_low,
        actual_volume_share_high=share_high,
        registered_envelope_low=low,
        registered_envelope_high=high,
    )


def _widened(**columns: Array) -> FlowPosterior:
    return FlowPosterior(**{k: np.asarray(v, dtype=np.float64) for k, v in columns.items()})


def _steady_registered(table: RegisteredTable, steady: Array) -> Array:
    """Registered flow of every meter at each steady flow [J, A, M]."""
    count = len(table.start_gpm)
    flow = np.broadcast_to(steady.astype(np.float32)[..., None], (*steady.shape, count))
    return table.registered_gpm(flow, np.arange(count))


def _peak(flow: Flow, steady: Array) -> Array:
    """Flow exceeded `PEAK_EXCEEDED` of the time [J, A], log-linear between band edges."""
    above = np.cumsum(flow.time[..., ::-1], axis=-1)[..., ::-1]
    rests = steady[..., None] >= BAND_EDGES_GPM[:-1]
    above = above + flow.idle.astype(np.float32)[..., None] * rests
    last = np.maximum((above >= PEAK_EXCEEDED).sum(axis=-1) - 1, 0)
    here = np.take_along_axis(above, last[..., None], axis=-1)[..., 0]
    after_at = np.minimum(last + 1, BAND_COUNT - 1)
    after = np.take_along_axis(above, after_at[..., None], axis=-1)[..., 0]
    drop = np.log(np.maximum(here, 1e-12)) - np.log(np.maximum(after, 1e-9))
    part = np.clip(
        (np.log(np.maximum(here, 1e-12)) - np.log(PEAK_EXCEEDED)) / np.maximum(drop, 1e-9), 0, 1
    )
    step = np.log(BAND_EDGES_GPM[1] / BAND_EDGES_GPM[0])
    return np.asarray(BAND_EDGES_GPM[last] * np.exp(part * step))


def _with_register(peak_gpm: Array, register_gpm: Array, uniform: Array) -> Array:
    """Peak where the register reports its own largest flow.

    That is the largest of all moments, the peak what 0.001 % of the time exceeds: it lies a
    little below, and the register averages over some seconds of its own (our convention: 0.75
    to 1 of the reported flow).
    """
    known = np.isfinite(register_gpm) & (register_gpm > 0)
    shown = np.where(known, register_gpm, 1.0)[None] * (0.75 + 0.25 * uniform)
    return np.where(known[None], shown, peak_gpm)


def _crowding(block: ProfileBlock, priors: Priors, u: Array) -> Array:
    """How far demand bunches inside the busiest interval [J, A]; none in short intervals."""
    most = np.log([priors.of(c).crowding for c in block.customer_class])
    length = np.minimum(block.interval_min / 60, 1.0)
    return np.asarray(np.exp(np.abs(ndtri(u[..., 8])) / 1.645 * most * length))


def _crowded(peak_gpm: Array, largest_gpm: Array, crowding: Array) -> Array:
    """Peak when demand inside the largest interval bunches by a factor.

    Above the mean m the peak stands by about z sqrt(a m): the mean rises by the factor, the
    rest by its root.
    """
    level = np.minimum(largest_gpm[None], peak_gpm)
    return np.asarray(level * crowding + (peak_gpm - level) * np.sqrt(crowding))


def _sustained(block: ProfileBlock, reads: Reads) -> Array:
    """60-min registered mean exceeded `SUSTAINED_EXCEEDED` of the time [A].

    From 60-min windows, or from longer reads spread over their hours where there are none.
    """
    above = np.cumsum(block.hour_count[:, ::-1], axis=1)[:, ::-1]
    above = above / np.maximum(block.days_covered * 24, 1e-9)[:, None]
    spread_out = reads.cumulative[:, -1:] - reads.cumulative[:, :-1]
    above = np.where((block.interval_min > 60)[:, None], spread_out, above)
    last = np.maximum((above >= SUSTAINED_EXCEEDED).sum(axis=1) - 1, 0)
    rows = np.arange(block.size)
    after = np.minimum(last + 1, BAND_COUNT - 1)
    inside = np.maximum(above[rows, last] - above[rows, after], 1e-12)
    part = np.clip((above[rows, last] - SUSTAINED_EXCEEDED) / inside, 0, 1)
    return np.asarray(BAND_EDGES_GPM[last] * (BAND_EDGES_GPM[1] / BAND_EDGES_GPM[0]) ** part)


def _actual_mean(registered_gpm: Array, flow: Flow, unit: Array, steady: Array) -> Array:
    """Mean that really flowed in hours of a registered mean [J, A]."""
    edges = flow.actual_mean_edges
    k = np.clip((edges <= registered_gpm[None, :, None]).sum(axis=-1), 1, edges.shape[-1] - 1)
    low = np.take_along_axis(edges, k[..., None] - 1, -1)[..., 0]
    high = np.take_along_axis(edges, k[..., None], -1)[..., 0]
    span = np.where(np.isfinite(high) & (high > low), high - low, 1.0)
    part = np.clip((registered_gpm[None] - low) / span, 0, 1)
    drawn = unit * EDGES[k - 1] * (EDGES[1] / EDGES[0]) ** part
    return np.asarray(np.maximum(drawn + steady, 0.5 * registered_gpm))


def _with_idle(shares: Array, idle: Array, steady: Array) -> Array:
    """Put what the steady flow alone carries into its band."""
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
