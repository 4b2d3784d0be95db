"""Spread interval means into flows, corrected for the installed meter's accuracy.

All arrays are [J samples, A accounts, K bands]. A sample's bands are those of
`rightsize.inference.water_use.kernels`, in units of its own intensity; results come back on
the absolute bands of `rightsize.demand.bands`.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rightsize.demand.bands import (
    BAND_CENTRES_GPM,
    BAND_COUNT,
    BAND_EDGES_GPM,
    BANDS_PER_DECADE,
    FIRST_EDGE_GPM,
)
from rightsize.inference.meter.registered_table import RegisteredTable, between
from rightsize.inference.water_use.kernels import (
    CENTRES,
    EDGES,
    LOWEST,
    SIZE,
    Kernel,
)
from rightsize.inference.water_use.use_edges import (
    UseEdges,
    edge_parts,
    put_in,
    taken_out,
    with_edges,
)

Array = NDArray[np.floating[Any]]
PEAK_EXCEEDED: Final = 1e-5  # [1] of the time: some minutes a year; convention
_BELOW_LOWEST: Final = 0.94  # [1] lowest edge over its center, 10^(-1/40): convention


@dataclass(frozen=True)
class Reads:
    """Registered interval means of A accounts: share of time by band, and at zero."""

    cumulative: Array  # [A, B + 1] share of time with a registered mean above 0 and below edge
    zero: Array  # [A]
    is_rest: NDArray[np.bool_]  # [A] zero means flow at rest too small for the register


@dataclass(frozen=True)
class Flow:
    """Share of time by instantaneous flow, [J, A, ...]."""

    time_share: Array  # [J, A, B] while uses run (steady flow included)
    idle_share: Array  # [J, A] steady flow alone
    registered_mean_edges: (
        Array  # [J, A, K + 1] registered mean at each edge of the uses' bands
    )
    top_10s_gpm: Array  # [J, A] flow exceeded `PEAK_EXCEEDED` of the time
    top_mean_gpm: Array  # [J, A] the same of interval means


def spread(
    reads: Reads,
    *,
    band: NDArray[np.int64],
    kernels: tuple[Kernel, ...],
    kernel: NDArray[np.int64],
    steady_gpm: Array,
    edges: UseEdges,
    table: RegisteredTable,
    installed: NDArray[np.int64],
) -> Flow:
    """Share of time by instantaneous flow, for every sample of every account.

    Parameters
    ----------
    reads : Reads
        What the installed meters registered.
    band : int array [J, A]
        Band of the uses' intensity.
    kernels, kernel : tuple of Kernel, int array [J, A]
        Kernels, and which of them a sample takes.
    steady_gpm : array [J, A]
        Flow under the uses [gpm].
    edges : UseEdges
        Intervals that hold a begun or ended use.
    table, installed : RegisteredTable, int array [J, A]
        Registration of the catalog and the installed meters' rows.

    Returns
    -------
    Flow
        `time_share` and `idle_share` sum to 1 less the time without any flow.
    """
    intensity = BAND_CENTRES_GPM[band].astype(np.float32)
    flow = steady_gpm[..., None] + intensity[..., None] * CENTRES.astype(np.float32)
    registered = table.registered_gpm(flow, installed[..., None])
    resting = table.registered_gpm(steady_gpm, installed)
    expected = _through(kernels, kernel, registered, transposed=True)
    expected += _idle(kernels, kernel) * resting[..., None]
    parts = edge_parts(edges, intensity)
    expected = with_edges(expected, parts, steady_gpm, resting, intensity, table, installed)
    bounds = _edgesbetween(np.maximum.accumulate(expected, axis=-1))
    mean_time = np.diff(_lookup_reads(reads.cumulative, bounds), axis=-1)
    whole, begun = taken_out(mean_time, parts, intensity)
    time = _through(kernels, kernel, whole, transposed=False)
    put_in(time, begun, intensity)
    never = np.where((resting > 0) & ~reads.is_rest, 0, reads.zero)
    above = _above(time)
    idle = reads.cumulative[None, :, -1] + never - time.sum(axis=-1)
    return Flow(
        _to_absolute(above, band, steady_gpm),
        np.maximum(idle, 0),
        bounds,
        steady_gpm + intensity * _exceeded(above).reshape(band.shape),
        steady_gpm + intensity * _exceeded(_above(mean_time)).reshape(band.shape),
    )


def _side_by_side(rows: Array) -> Array:
    """A copy of rows [J, A, K], samples side by side [K, J A]: a pass along K is quick."""
    return np.array(rows.reshape(-1, rows.shape[-1]).T, order="C")  # never a view: one sample


def _above(time: Array) -> Array:
    """Share of time at or above each band [K, J A]."""
    above = _side_by_side(time)
    for k in range(len(above) - 2, -1, -1):
        above[k] += above[k + 1]
    return above


def _rising(rows: Array) -> Array:
    """Largest value up to each place of the last axis."""
    out = _side_by_side(rows)
    for k in range(1, len(out)):
        np.maximum(out[k - 1], out[k], out=out[k])
    return np.ascontiguousarray(out.T).reshape(rows.shape)


def _exceeded(above: Array) -> Array:
    """Flow exceeded `PEAK_EXCEEDED` of the time, in units of intensity, log-linear [J A]."""
    last = np.maximum(np.add.reduce(above >= PEAK_EXCEEDED, axis=0, dtype=np.int32) - 1, 0)
    sample = np.arange(above.shape[1])
    here, after = above[last, sample], above[np.minimum(last + 1, SIZE - 1), sample]
    drop = np.log(np.maximum(here, 1e-12)) - np.log(np.maximum(after, 1e-9))
    fall = np.log(np.maximum(here, 1e-12)) - np.log(PEAK_EXCEEDED)
    part = np.clip(fall / np.maximum(drop, 1e-9), 0, 1)
    return np.asarray(EDGES[last] * (EDGES[1] / EDGES[0]) ** part)


def _through(
    kernels: tuple[Kernel, ...], kernel: NDArray[np.int64], rows: Array, *, transposed: bool
) -> Array:
    """Rows times their kernel (or its transpose), one matrix product a kernel."""
    which = kernel.ravel()
    order = np.argsort(which, kind="stable")
    sorted_rows = rows.reshape(-1, SIZE)[order]
    ends = np.searchsorted(which[order], np.arange(len(kernels) + 1))
    for index, (start, end) in enumerate(itertools.pairwise(ends.tolist())):
        if start < end:
            mass = kernels[index].single_mass
            sorted_rows[start:end] = sorted_rows[start:end] @ (mass.T if transposed else mass)
    out = np.empty_like(sorted_rows)
    out[order] = sorted_rows
    return out.reshape(rows.shape)


def _idle(kernels: tuple[Kernel, ...], kernel: NDArray[np.int64]) -> Array:
    return np.stack([k.idle for k in kernels]).astype(np.float32)[kernel]


def _edgesbetween(rows: Array) -> Array:
    """Values at band edges from values at centers; open at both ends."""
    out = np.empty((*rows.shape[:-1], rows.shape[-1] + 1), dtype=rows.dtype)
    np.sqrt(rows[..., :-1] * rows[..., 1:], out=out[..., 1:-1])
    out[..., 0] = rows[..., 0] * _BELOW_LOWEST
    out[..., -1] = np.inf
    return out


def _lookup_reads(cumulative: Array, registered: Array) -> Array:
    """Share of time with a positive registered mean below each flow, log-linear in a band."""
    with np.errstate(divide="ignore"):
        at = np.log10(registered) - np.float32(np.log10(FIRST_EDGE_GPM))
    at *= np.float32(BANDS_PER_DECADE)
    np.clip(at, 0, BAND_COUNT, out=at)
    low = np.minimum(at.astype(np.int32), BAND_COUNT - 1)
    at -= low.astype(np.float32)
    flat = cumulative.astype(np.float32).ravel()
    first = np.arange(len(cumulative), dtype=np.int32)[:, None] * np.int32(BAND_COUNT + 1)
    return between(flat, first + low, at)


def _to_absolute(above: Array, band: NDArray[np.int64], steady_gpm: Array) -> Array:
    """Time by absolute band from that above bands in units of intensity [K, J A]."""
    rows = np.zeros((band.size, SIZE + 1), dtype=np.float32)
    rows[:, :-1] = above.T
    intensity = BAND_CENTRES_GPM[band].astype(np.float32)
    at = (BAND_EDGES_GPM.astype(np.float32) - steady_gpm[..., None]) / intensity[..., None]
    np.log10(np.maximum(at, 1e-9, out=at), out=at)
    at *= BANDS_PER_DECADE
    at -= LOWEST - 0.5
    np.clip(at, 0, SIZE, out=at)
    low = np.minimum(at.astype(np.int32), SIZE - 1)
    at -= low.astype(np.float32)
    low += (np.arange(band.size, dtype=np.int32) * (SIZE + 1)).reshape(*band.shape, 1)
    exceed = between(rows.ravel(), low, at)
    exceed[..., 0] = rows[:, 0].reshape(band.shape)
    exceed[..., -1] = 0
    return np.asarray(exceed[..., :-1] - exceed[..., 1:])
