"""Short intervals in which a use starts or ends: its flow for part of the time, then none.

A kernel of reduced intensity assumes that flow in a short interval is steady. Below the flow
of a single use it mostly is not: a meter with a starting flow above the interval's mean still
registers.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

from rightsize.demand.bands import BANDS_PER_DECADE
from rightsize.inference.meter.registered_table import RegisteredTable
from rightsize.inference.water_use.kernels import CENTRES, INTENSITY_CV, LOWEST, SIZE

Array = NDArray[np.floating[Any]]
_EDGE_FLOWS: Final = ((0.64, 0.25), (1.0, 0.33), (1.57, 0.5))
"""Factors on a use's flow, one standard deviation apart in log (`INTENSITY_CV`), and the
odds of each among what is left: a quarter of all each. Set by hand."""
_CENTRES: Final = CENTRES.astype(np.float32)
_LEAST_LOG_DENSITY: Final = -60  # less is no density: keeps the exponential from underflowing


@dataclass(frozen=True)
class UseEdges:
    """Short intervals in which a use begins or ends: its flow for part of the time.

    All [J, A]: the use's flow, how far the kernel leaves such intervals out, and how many
    intervals a use fills for each of them.
    """

    gpm: Array
    part: Array
    filled: Array


EdgeParts = list[tuple[Array, Array]]


def edge_parts(edges: UseEdges, intensity: Array) -> EdgeParts:
    """Flows of begun or ended uses [J, A] and the share of each mean that is one [J, A, K]."""
    mean = intensity[..., None] * _CENTRES
    out: EdgeParts = []
    level = np.asarray(mean / edges.gpm[..., None].astype(np.float32), dtype=np.float32)
    of_edges = edges.filled[..., None].astype(np.float32) * _gamma_density(level)
    of_edges += np.float32(1)
    np.divide(edges.part[..., None].astype(np.float32), of_edges, out=of_edges)
    for factor, odds in _EDGE_FLOWS:
        gpm = (edges.gpm * factor).astype(np.float32)
        share = of_edges * np.float32(odds)
        share *= mean < gpm[..., None]
        out.append((gpm, share))
    return out


def _gamma_density(level: Array) -> Array:
    """Density of intensities about their mean, of the kernels' spread, in single precision."""
    shape = 1 / INTENSITY_CV**2
    log = np.log(level)
    log *= np.float32(shape - 1)
    log -= np.float32(shape) * level
    log += np.float32(shape * np.log(shape) - gammaln(shape))
    np.maximum(log, np.float32(_LEAST_LOG_DENSITY), out=log)
    return np.asarray(np.exp(log, out=log))


def with_edges(
    expected: Array,
    parts: EdgeParts,
    steady_gpm: Array,
    resting: Array,
    intensity: Array,
    table: RegisteredTable,
    installed: NDArray[np.int64],
) -> Array:
    """Registered means at each mean flow of uses [J, A, K], with starts and ends of uses."""
    for gpm, share in parts:
        on = table.registered_gpm((steady_gpm + gpm).astype(np.float32), installed)
        rise = (on - resting) * intensity / gpm  # an edge runs by its mean over its flow
        as_edge = rise[..., None] * _CENTRES
        as_edge += resting[..., None]
        as_edge -= expected
        as_edge *= share
        expected += as_edge
    return expected


def taken_out(
    mean_time: Array, parts: EdgeParts, intensity: Array
) -> tuple[Array, list[tuple[Array, Array]]]:
    """Time in intervals that are no edges [J, A, K], and of edges flow and time running."""
    left = mean_time
    begun: list[tuple[Array, Array]] = []
    for gpm, share in parts:
        mine = share * left
        begun.append((gpm, np.asarray(mine @ _CENTRES * intensity / gpm, dtype=np.float32)))
        left = left - mine
    return left, begun


def put_in(time: Array, begun: list[tuple[Array, Array]], intensity: Array) -> None:
    """Add the time that begun and ended uses run to its band, in place."""
    for gpm, running in begun:
        at = np.rint(np.log10(gpm / intensity) * BANDS_PER_DECADE).astype(np.int64) - LOWEST
        at = np.clip(at, 0, SIZE - 1)[..., None]
        now = np.take_along_axis(time, at, -1) + running[..., None]
        np.put_along_axis(time, at, now, -1)
