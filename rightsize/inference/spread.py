"""Spread interval means into flows: through the installed meter back to what really passed.

All arrays are [J draws, A accounts, K bands]. A draw's bands are those of
`rightsize.inference.kernels`, in units of its own intensity; results come back on the absolute
bands of `rightsize.demand.bands`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

from rightsize.demand.bands import (
    BAND_CENTRES_GPM,
    BAND_COUNT,
    BAND_EDGES_GPM,
    BANDS_PER_DECADE,
    FIRST_EDGE_GPM,
)
from rightsize.inference.kernels import (
    CENTRES,
    EDGES,
    HIGHEST,
    INTENSITY_CV,
    LOWEST,
    SIZE,
    Kernel,
)
from rightsize.meters.catalogue import Meter
from rightsize.meters.draws import registration_draws
from rightsize.meters.registration import registration_matrix

Array = NDArray[np.floating[Any]]
_FINE: Final = 4  # table steps per band in which registered flow is looked up
_TABLE_BANDS: Final = 220  # from the first edge
TABLE_FLOW_GPM: Final = FIRST_EDGE_GPM * 10.0 ** (
    np.arange(_TABLE_BANDS * _FINE + 1) / (BANDS_PER_DECADE * _FINE)
)
"""Flows at which a `RegisteredTable` holds ratios [gpm]."""
PEAK_EXCEEDED: Final = 1e-5
_EDGE_FLOWS: Final = ((0.64, 0.25), (1.0, 0.33), (1.57, 0.5))  # factor, odds of what is left
_TYPE_SHARE: Final = 0.35  # of a single meter's error, that of the type's mean (our convention)


@dataclass(frozen=True)
class RegisteredTable:
    """Draws of the registration of many meters on a fine log grid, looked up by flow."""

    ratio: Array  # [J, M, table] without the cut at the start, applied at look-up
    start_gpm: Array  # [M]

    @cached_property
    def by_band(self) -> Array:
        """Mean registered flow over each band [J, B, M], the jump at the start included."""
        width = np.log(BAND_EDGES_GPM[1] / BAND_EDGES_GPM[0])
        inside = np.exp(np.array([-0.375, -0.125, 0.125, 0.375]) * width)
        shape = (*self.ratio.shape[:2], BAND_COUNT)
        index = np.arange(shape[1])[:, None]
        flows = [
            np.broadcast_to((BAND_CENTRES_GPM * i).astype(np.float32), shape) for i in inside
        ]
        mean = np.mean([self.registered_gpm(f, index) for f in flows], axis=0)
        return np.ascontiguousarray(mean.transpose(0, 2, 1).astype(np.float32))

    def registered_gpm(self, flow_gpm: Array, meter: NDArray[np.int64]) -> Array:
        """Registered flow [gpm] of flows [J, ...]; `meter` broadcasts to `flow_gpm`."""
        draws, meters, width = self.ratio.shape
        at = np.log10(np.maximum(flow_gpm, np.float32(FIRST_EDGE_GPM)))
        at -= np.float32(np.log10(FIRST_EDGE_GPM))
        at *= np.float32(BANDS_PER_DECADE * _FINE)
        low = np.minimum(at.astype(np.int32), width - 2)
        part = at - low.astype(np.float32)
        draw = np.arange(draws, dtype=np.int32).reshape(-1, *([1] * (flow_gpm.ndim - 1)))
        first = (draw * np.int32(meters) + meter.astype(np.int32)) * np.int32(width)
        flat, base = self.ratio.ravel(), first + low
        ratio = flat.take(base)
        ratio += (flat.take(base + 1) - ratio) * part
        return np.asarray(np.where(flow_gpm < self.start_gpm[meter], 0, ratio * flow_gpm))


@lru_cache(maxsize=4)
def registered_table(meters: tuple[Meter, ...], draws: int, seed: int) -> RegisteredTable:
    """Draws of the meters' curves: draw j of every account shares the j-th state of each.

    The uncertainty is that of meters which keep their permitted errors; what tests or a stated
    wear say of installed meters is put in by `rightsize.inference.installed`.
    """
    flow = TABLE_FLOW_GPM
    plain = []
    for meter in meters:
        points = np.asarray(meter.registration, dtype=np.float64)
        plain.append(np.interp(np.log(flow), np.log(points[:, 0]), points[:, 1]))
    drawn = registration_draws(meters, flow, draws, np.random.default_rng(seed))
    known = registration_matrix(meters, flow)
    error = np.where((known > 0) & (drawn > 0), drawn / np.maximum(known, 1e-9), 1.0)
    error = 1 + _TYPE_SHARE * (error - 1)
    return RegisteredTable(
        (np.array(plain) * error).astype(np.float32),
        np.array([m.starting_gpm for m in meters], dtype=np.float32),
    )


@dataclass(frozen=True)
class Reads:
    """Registered interval means of A accounts: share of time by band, and at zero."""

    cumulative: Array  # [A, B + 1] share of time with a registered mean above 0 and below edge
    zero: Array  # [A]
    is_rest: NDArray[np.bool_]  # [A] zero stands for flow at rest too small for the register


@dataclass(frozen=True)
class DrawEdges:
    """Short intervals in which a draw begins or ends: its flow for part of the time.

    All [J, A]: the draw's flow, how far the kernel leaves such intervals out, and how many
    intervals a draw fills for each of them.
    """

    gpm: Array
    part: Array
    filled: Array


@dataclass(frozen=True)
class Flow:
    """Share of time by instantaneous flow, [J, A, ...]."""

    time: Array  # [J, A, B] while draws run (steady flow included)
    idle: Array  # [J, A] steady flow alone
    actual_mean_edges: Array  # [J, A, K + 1] registered mean at each edge of the draw bands
    top_10s_gpm: Array  # [J, A] flow exceeded `PEAK_EXCEEDED` of the time
    top_mean_gpm: Array  # [J, A] the same of interval means


def spread(
    reads: Reads,
    *,
    band: NDArray[np.int64],
    kernels: tuple[Kernel, ...],
    kernel: NDArray[np.int64],
    steady_gpm: Array,
    edges: DrawEdges,
    table: RegisteredTable,
    installed: NDArray[np.int64],
) -> Flow:
    """Share of time by instantaneous flow, for every draw of every account.

    Parameters
    ----------
    reads : Reads
        What the installed meters registered.
    band : int array [J, A]
        Band of the draws' intensity.
    kernels, kernel : tuple of Kernel, int array [J, A]
        Kernels, and which of them a draw uses.
    steady_gpm : array [J, A]
        Flow under the draws [gpm].
    edges : DrawEdges
        Intervals that hold a begun or ended draw.
    table, installed : RegisteredTable, int array [A]
        Registration of the catalogue and the installed meters' rows.

    Returns
    -------
    Flow
        `time` and `idle` sum to 1 less the time without any flow.
    """
    intensity = BAND_CENTRES_GPM[band].astype(np.float32)
    flow = steady_gpm[..., None] + intensity[..., None] * CENTRES.astype(np.float32)
    registered = table.registered_gpm(flow, installed[:, None])
    resting = table.registered_gpm(steady_gpm, installed)
    expected = _through(kernels, kernel, registered, transposed=True)
    expected += _idle(kernels, kernel) * resting[..., None]
    part = _edge_parts(edges, intensity)
    for gpm, share in part:
        on = table.registered_gpm((steady_gpm + gpm).astype(np.float32), installed)
        running = intensity[..., None] * CENTRES.astype(np.float32) / gpm[..., None]
        as_edge = running * on[..., None] + (1 - running) * resting[..., None]
        expected += share * (as_edge - expected)
    bounds = _edges_between(np.maximum.accumulate(expected, axis=-1))
    below = _lookup_reads(reads.cumulative, bounds)
    mean_time = np.diff(below, axis=-1)
    whole = mean_time
    begun = []
    for gpm, share in part:
        mine = share * whole
        running = intensity[..., None] * CENTRES.astype(np.float32) / gpm[..., None]
        begun.append((gpm, (mine * running).sum(axis=-1)))
        whole = whole - mine
    time = _through(kernels, kernel, whole, transposed=False)
    for gpm, share_of_time in begun:
        at = np.rint(np.log10(gpm / intensity) * BANDS_PER_DECADE).astype(np.int64) - LOWEST
        at = np.clip(at, 0, SIZE - 1)[..., None]
        moved = np.take_along_axis(time, at, -1) + share_of_time[..., None]
        np.put_along_axis(time, at, moved, -1)
    never = np.where((resting > 0) & ~reads.is_rest, 0, reads.zero)
    idle = reads.cumulative[None, :, -1] + never - time.sum(axis=-1)
    return Flow(
        _to_absolute(time, band, steady_gpm),
        np.maximum(idle, 0),
        bounds,
        steady_gpm + intensity * _exceeded(time),
        steady_gpm + intensity * _exceeded(mean_time),
    )


def _edge_parts(edges: DrawEdges, intensity: Array) -> list[tuple[Array, Array]]:
    """Flows of begun or ended draws [J, A] and the share of each mean that is one [J, A, K]."""
    mean = intensity[..., None] * CENTRES.astype(np.float32)
    out: list[tuple[Array, Array]] = []
    left = edges.part[..., None].astype(np.float32)
    for factor, odds in _EDGE_FLOWS:
        gpm = (edges.gpm * factor).astype(np.float32)
        level = mean / edges.gpm[..., None].astype(np.float32)
        full = edges.filled[..., None].astype(np.float32) * _gamma_density(level)
        share = np.where(mean < gpm[..., None], left * odds / (1 + full), 0.0)
        out.append((gpm, share.astype(np.float32)))
    return out


def _gamma_density(level: Array) -> Array:
    """Density of intensities about their mean, of the kernels' spread."""
    shape = 1 / INTENSITY_CV**2
    log = shape * np.log(shape) - gammaln(shape) + (shape - 1) * np.log(level) - shape * level
    return np.asarray(np.exp(np.maximum(log, -60)))


def _exceeded(time: Array) -> Array:
    """Flow exceeded `PEAK_EXCEEDED` of the time, in units of intensity, log-linear [J, A]."""
    above = np.cumsum(time[..., ::-1], axis=-1)[..., ::-1]
    last = np.maximum((above >= PEAK_EXCEEDED).sum(axis=-1) - 1, 0)
    here = np.take_along_axis(above, last[..., None], axis=-1)[..., 0]
    after_at = np.minimum(last + 1, SIZE - 1)
    after = np.take_along_axis(above, after_at[..., None], axis=-1)[..., 0]
    drop = np.log(np.maximum(here, 1e-12)) - np.log(np.maximum(after, 1e-9))
    fall = np.log(np.maximum(here, 1e-12)) - np.log(PEAK_EXCEEDED)
    part = np.clip(fall / np.maximum(drop, 1e-9), 0, 1)
    return np.asarray(EDGES[last] * (EDGES[1] / EDGES[0]) ** part)


def _through(
    kernels: tuple[Kernel, ...], kernel: NDArray[np.int64], rows: Array, *, transposed: bool
) -> Array:
    """Rows times their kernel (or its transpose), one matrix product a kernel."""
    flat, which = rows.reshape(-1, SIZE), kernel.ravel()
    out = np.empty_like(flat)
    for index in np.unique(which):
        matrix = kernels[index].mass.astype(np.float32)
        mine = which == index
        out[mine] = flat[mine] @ (matrix.T if transposed else matrix)
    return out.reshape(rows.shape)


def _idle(kernels: tuple[Kernel, ...], kernel: NDArray[np.int64]) -> Array:
    return np.stack([k.idle for k in kernels]).astype(np.float32)[kernel]


def _edges_between(rows: Array) -> Array:
    """Values at band edges from values at centres; open at both ends."""
    out = np.empty((*rows.shape[:-1], rows.shape[-1] + 1), dtype=rows.dtype)
    np.sqrt(rows[..., :-1] * rows[..., 1:], out=out[..., 1:-1])
    out[..., 0] = rows[..., 0] * 0.94
    out[..., -1] = np.inf
    return out


def _lookup_reads(cumulative: Array, registered: Array) -> Array:
    """Share of time with a positive registered mean below each flow, log-linear in a band."""
    with np.errstate(divide="ignore"):
        at = np.log10(registered) - np.float32(np.log10(FIRST_EDGE_GPM))
    at *= np.float32(BANDS_PER_DECADE)
    np.clip(at, 0, BAND_COUNT, out=at)
    low = np.minimum(at.astype(np.int32), BAND_COUNT - 1)
    part = (at - low).astype(np.float32)
    flat = cumulative.astype(np.float32).ravel()
    first = np.arange(len(cumulative), dtype=np.int32)[:, None] * np.int32(BAND_COUNT + 1)
    base = first + low
    below = flat.take(base)
    below += (flat.take(base + 1) - below) * part
    return below


def _to_absolute(time: Array, band: NDArray[np.int64], steady_gpm: Array) -> Array:
    """From bands of a draw's own intensity, above the steady flow, to absolute bands."""
    above = np.zeros((*time.shape[:-1], SIZE + 1), dtype=np.float32)
    above[..., :-1] = np.cumsum(time[..., ::-1], axis=-1)[..., ::-1]
    intensity = BAND_CENTRES_GPM[band].astype(np.float32)
    edges = BAND_EDGES_GPM.astype(np.float32)
    over = (edges - steady_gpm[..., None]) / intensity[..., None]
    at = np.log10(np.maximum(over, 1e-9)) * BANDS_PER_DECADE - (LOWEST - 0.5)
    at = np.clip(at, 0, SIZE)
    low = np.minimum(at.astype(np.int32), SIZE - 1)
    part = (at - low).astype(np.float32)
    flat = above.ravel()
    rows = np.arange(time.shape[0] * time.shape[1], dtype=np.int32)
    base = rows.reshape(*time.shape[:2], 1) * np.int32(SIZE + 1) + low
    exceed = flat.take(base)
    exceed += (flat.take(base + 1) - exceed) * part
    exceed[..., 0] = above[..., 0]
    exceed[..., -1] = 0
    return np.asarray(exceed[..., :-1] - exceed[..., 1:])


HIGHEST_RATIO: Final = 10.0 ** (HIGHEST / BANDS_PER_DECADE)
