"""Model-free bounds on registered volume, from interval volumes alone.

With r(q) = q a(q) the registered flow at actual flow q, and only the mean m of an interval
and a largest possible flow known, the mean of r over the interval lies between the lower
convex and the upper concave envelope of r at m (Jensen's inequality; both ends are reached by
flows that switch between two values). Through the installed meter's envelopes a registered mean
bounds the actual one, and through a candidate's envelopes the actual mean bounds what the
candidate would have registered.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rightsize.contracts.profiles import ProfileBlock
from rightsize.demand.bands import BAND_EDGES_GPM
from rightsize.meters.catalogue import Meter
from rightsize.meters.curve import ratio_between

Array = NDArray[np.float64]

_LEAST_START_GPM: Final = 1e-4  # so that the start has a logarithm: convention
_POINTS_PER_DECADE: Final = 24  # [1] as `registered_flow_points` says
_LEAST_POINTS: Final = 8  # [1] convention
_SPARE_HOURS: Final = 48  # [hours] missing before hours bound nothing: convention


@dataclass(frozen=True)
class Envelope:
    """Two piecewise linear curves over actual flow [gpm] -> registered flow [gpm]."""

    low_flow_gpm: Array
    low_registered_gpm: Array
    high_flow_gpm: Array
    high_registered_gpm: Array

    def low(self, flow_gpm: Array) -> Array:
        """Least mean registered flow [gpm] at mean actual flow [gpm]."""
        return np.interp(flow_gpm, self.low_flow_gpm, self.low_registered_gpm)

    def high(self, flow_gpm: Array) -> Array:
        """Largest mean registered flow [gpm] at mean actual flow [gpm]."""
        return np.interp(flow_gpm, self.high_flow_gpm, self.high_registered_gpm)

    def least_actual(self, registered_gpm: Array) -> Array:
        """Least mean actual flow [gpm] that can show this registered mean."""
        return _inverse(
            registered_gpm, self.high_registered_gpm, self.high_flow_gpm, last=False
        )

    def most_actual(self, registered_gpm: Array) -> Array:
        """Largest mean actual flow [gpm] that can show this registered mean."""
        return _inverse(registered_gpm, self.low_registered_gpm, self.low_flow_gpm, last=True)


def registered_flow_points(meter: Meter, *, largest_gpm: float) -> tuple[Array, Array]:
    """Points of r(q) = q a(q) from 0 to the largest flow, with the jump at the start.

    Between its points a(q) is linear in log flow, so r bends; 24 points a decade hold the
    bend to within 0.1 %. The start is a jump, and both its sides are points.
    """
    start = max(meter.starting_gpm, _LEAST_START_GPM)
    decades = np.log10(max(largest_gpm / start, 2))
    steps = max(int(_POINTS_PER_DECADE * decades), _LEAST_POINTS)
    knots = np.array([p[0] for p in meter.registration if start < p[0] < largest_gpm])
    flow = np.unique(np.concatenate([np.geomspace(start, largest_gpm, steps), knots]))
    ratio = ratio_between(flow, meter.registration)
    head = np.array([0.0, start])
    return np.concatenate([head, flow]), np.concatenate([np.zeros(2), flow * ratio])


def envelope_of(meter: Meter, *, largest_gpm: float) -> Envelope:
    """Lower convex and upper concave envelope of a meter's registered flow.

    Parameters
    ----------
    meter : Meter
        The meter.
    largest_gpm : float
        Largest flow that can pass [gpm].

    Returns
    -------
    Envelope
        Exact at its points; linear between.
    """
    flow, registered = registered_flow_points(meter, largest_gpm=largest_gpm)
    low = _hull(flow, registered, sign=1.0)
    high = _hull(flow, registered, sign=-1.0)
    return Envelope(flow[low], registered[low], flow[high], registered[high])


def registered_bounds(
    block: ProfileBlock,
    meters: Sequence[Meter],
    registered_gal_per_year: Array,
    installed: Sequence[Meter] | None = None,
) -> tuple[Array, Array]:
    """Bounds of every meter's yearly registered volume, from the installed meters' reads.

    Parameters
    ----------
    block : ProfileBlock
        Profiles of A meters.
    meters : sequence of Meter
        The catalog, M meters.
    registered_gal_per_year : array [A]
        What the installed meters register.
    installed : sequence of Meter, A long, optional
        Their own curves; the catalog's by `block.meter_index` if not given.

    Returns
    -------
    tuple of arrays [A, M]
        Least and largest registered volume [gal per year]. The register's step widens each
        interval; of reads and hours the tighter bound counts.
    """
    held = tuple(installed or (meters[k] for k in block.meter_index))
    low = np.empty((block.size, len(meters)))
    high = np.empty_like(low)
    finer = block.interval_min < 60
    for rows, table in _tables(block, meters, held, block.interval_min):
        low[rows], high[rows] = _bounds(block.band_count[rows], block.zero_count[rows], table)
    if finer.any():
        hour_low, hour_high = _hour_bounds(block, meters, held)
        low = np.where(finer[:, None], np.maximum(low, hour_low), low)
        high = np.where(finer[:, None], np.minimum(high, hour_high), high)
    mean = block.band_gal.sum(axis=1) / (_counted(block) * block.interval_min)
    scale = (registered_gal_per_year / np.maximum(mean, 1e-12))[:, None]
    return np.minimum(low, high) * scale, np.maximum(low, high) * scale


def _tables(
    block: ProfileBlock,
    meters: Sequence[Meter],
    installed: tuple[Meter, ...],
    interval_min: Array,
) -> Iterator[tuple[NDArray[np.int64], tuple[Array, Array]]]:
    """Rows that share installed meter, register step and largest flow, with their bounds."""
    table_of = _bound_tables(tuple(meters))
    smoc = np.array([m.smoc_gpm for m in installed])
    largest = 2.0 ** np.ceil(np.log2(2 * np.maximum(smoc, block.max_interval_gpm)))
    step = block.resolution_gal / interval_min
    keys = zip((id(m) for m in installed), largest.tolist(), step.tolist(), strict=True)
    groups: dict[tuple[int, float, float], list[int]] = {}
    for row, key in enumerate(keys):
        groups.setdefault(key, []).append(row)
    for (_, largest_gpm, step_gpm), rows in groups.items():
        yield np.array(rows), table_of(installed[rows[0]], largest_gpm, step_gpm)


@lru_cache(maxsize=4)
def _bound_tables(meters: tuple[Meter, ...]) -> Callable[..., tuple[Array, Array]]:
    """`_bound_table` of a catalog, kept by the rest: a catalog's hash is work of its own."""
    return lru_cache(maxsize=2048)(partial(_bound_table, meters))


def _bound_table(
    meters: tuple[Meter, ...], held: Meter, largest_gpm: float, step_gpm: float
) -> tuple[Array, Array]:
    """Bounds of each meter's mean registered flow by band of the installed one's [B + 1, M].

    The first row is that of intervals that registered nothing.
    """
    installed = _envelope(held, largest_gpm)
    edges = np.concatenate([[0.0], BAND_EDGES_GPM])
    least = installed.least_actual(np.maximum(edges[:-1] - step_gpm, 0.0))
    upper = np.concatenate([[0.0], BAND_EDGES_GPM[1:]]) + step_gpm
    most = installed.most_actual(upper)
    others = [_envelope(m, largest_gpm) for m in meters]
    low = np.stack([o.low(least) for o in others], axis=1)
    return low, np.stack([o.high(most) for o in others], axis=1)


@lru_cache(maxsize=1024)
def _envelope(meter: Meter, largest_gpm: float) -> Envelope:
    return envelope_of(meter, largest_gpm=largest_gpm)


def _hour_bounds(
    block: ProfileBlock, meters: Sequence[Meter], installed: tuple[Meter, ...]
) -> tuple[Array, Array]:
    """Bounds from 60-min windows; without effect where most hours are missing."""
    idle = block.days_covered * 24 - block.hour_count.sum(axis=1)
    low = np.zeros((block.size, len(meters)))
    high = np.full_like(low, np.inf)
    for rows, table in _tables(block, meters, installed, np.full(block.size, 60.0)):
        low[rows], high[rows] = _bounds(
            block.hour_count[rows], np.maximum(idle[rows], 0.0), table
        )
    known = (idle <= block.zero_count * block.interval_min / 60 + _SPARE_HOURS)[:, None]
    return np.where(known, low, 0.0), np.where(known, high, np.inf)


def _bounds(count: Array, zero: Array, table: tuple[Array, Array]) -> tuple[Array, Array]:
    share = np.concatenate([zero[:, None], count], axis=1)
    share = share / np.maximum(share.sum(axis=1, keepdims=True), 1)
    return share @ table[0], share @ table[1]


def _counted(block: ProfileBlock) -> Array:
    return np.asarray(np.maximum(block.band_count.sum(axis=1) + block.zero_count, 1))


def _hull(x: Array, y: Array, *, sign: float) -> NDArray[np.int64]:
    """Indices of the lower (sign 1) or upper (sign -1) hull of points with rising x."""
    kept: list[int] = []
    for i in range(len(x)):
        while len(kept) >= 2 and _turns(x, sign * y, kept[-2], kept[-1], i):
            kept.pop()
        if kept and x[kept[-1]] == x[i]:
            if sign * y[i] >= sign * y[kept[-1]]:
                continue
            kept.pop()
        kept.append(i)
    return np.array(kept)


def _turns(x: Array, y: Array, a: int, b: int, c: int) -> bool:
    """Whether b is on or above the chord from a to c."""
    return bool((y[b] - y[a]) * (x[c] - x[a]) >= (y[c] - y[a]) * (x[b] - x[a]))


def _inverse(value: Array, rising: Array, at: Array, *, last: bool) -> Array:
    """First or last position at which a non-decreasing curve has a value."""
    found = np.searchsorted(rising, value, side="right" if last else "left")
    i = np.clip(found, 1, len(rising) - 1)
    rise = rising[i] - rising[i - 1]
    share = np.where(
        rise > 0, (value - rising[i - 1]) / np.where(rise > 0, rise, 1), float(last)
    )
    return np.asarray(at[i - 1] + np.clip(share, 0, 1) * (at[i] - at[i - 1]))
