"""The largest flows: over 10 s, and over an hour."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from rightsize.contracts.profiles import ProfileBlock
from rightsize.demand.bands import BAND_COUNT, BAND_EDGES_GPM
from rightsize.inference.spread import PEAK_EXCEEDED, Flow, Reads
from rightsize.inference.water_use.kernels import EDGES
from rightsize.inference.water_use.priors import Z90, Priors

Array = NDArray[np.floating[Any]]

SUSTAINED_EXCEEDED: Final = 0.005  # [1] of the time, by a 60-min mean: convention
# Set by hand and fitted on simulated fleets; which fleets is not recorded. Where a line names
# another origin, that holds.
_MODEL_SD: Final = (0.08, 0.10)  # [log] error of the model's peak: fine and hourly reads
_HABIT_SD: Final = 0.06  # [log] more upward: uses that run together by habit, not by chance
_FILLED_SHARE: Final = 0.98  # [1] the peak is exceeded for minutes: a steady interval holds it
_LONG_SD: Final = 0.45  # [log] more for reads of a whole day
_FILLED_FROM_MIN: Final = 15  # [min] a shorter interval may be shorter than the peak may last
_REGISTER_SHARE: Final = 0.75  # [1] least of the peak over the reported one: convention
_LEAST_REGISTERED: Final = 0.5  # [1] of a flow that a meter is worth inverting at: convention
_LEAST_OF_SHOWN: Final = 0.5  # [1] of a rounded reading, that did flow: convention


def peak_10s(
    block: ProfileBlock,
    flow: Flow,
    registration: Array,
    lift: Array,
    crowding: Array,
    most_gpm: Array,
    uniform: Array,
    noise: Array,
) -> Array:
    """The 10 s flow exceeded `PEAK_EXCEEDED` of the time [gpm, J x A].

    Parameters
    ----------
    block : ProfileBlock
        Profiles of A meters.
    flow : Flow
        Share of time by instantaneous flow.
    registration : array [J, A]
        Of the installed meter at its largest interval.
    lift : array [J, A]
        Flow above the mean in the largest intervals, over what `flow` has of it.
    crowding : array [J, A]
        How far demand bunches inside the busiest interval.
    most_gpm : array [J, A]
        What the service's pressure pushes through its line and meter at most.
    uniform : array [J, A]
        Error of the model itself, as uniform numbers.
    noise : array [J, A]
        Where below its rounded reading the largest interval lay, as uniform numbers.

    Returns
    -------
    array [J, A]
        Not below the largest interval where that lasts longer than the peak may. The
        register's own peak flow is taken for it where there is one.
    """
    hour = np.sqrt(np.minimum(block.interval_min / 60, 1.0))
    long = np.log(np.maximum(block.interval_min / 60, 1.0)) / np.log(24)
    model_sd = _LONG_SD * long + _MODEL_SD[0] + (_MODEL_SD[1] - _MODEL_SD[0]) * hour
    largest = _largest_mean(block, noise) / np.maximum(registration, _LEAST_REGISTERED)
    largest = np.where(block.interval_min > 60, flow.top_mean_gpm, largest)  # a day's best hour
    within = np.maximum(flow.top_10s_gpm / np.maximum(flow.top_mean_gpm, 1e-9), 1.0)
    within = 1 + (within - 1) * lift
    peak = _crowded(largest * within, block.max_interval_gpm, crowding)
    error = ndtri(uniform)
    model_sd = np.where(error > 0, model_sd + _HABIT_SD * hour, model_sd)
    peak = peak * np.exp(model_sd * error)
    peak = np.minimum(peak, most_gpm)
    peak = _with_register(peak, block.peak_register_gpm, uniform)
    filled = block.interval_min >= _FILLED_FROM_MIN
    return np.where(filled, np.maximum(peak, _FILLED_SHARE * largest), peak)


def _largest_mean(block: ProfileBlock, uniform: Array) -> Array:
    """Interval mean exceeded `PEAK_EXCEEDED` of the time, before rounding [J, A].

    The largest interval, or one of the largest where they are many. A register of whole steps
    shows of true means just below a step the next one too, and the largest shown is such a one.
    """
    shown = _largest_shown(block)
    step = block.resolution_gal / block.interval_min
    return np.asarray(
        np.maximum(shown[None] - step[None] * uniform, _LEAST_OF_SHOWN * shown[None])
    )


def _largest_shown(block: ProfileBlock) -> Array:
    """Interval mean exceeded `PEAK_EXCEEDED` of the time, as registered [A].

    Of so many intervals that is the k-th largest. The largest of all is known as it is; the
    others lie evenly in log flow over their band.
    """
    total = block.band_count.sum(axis=1) + block.zero_count
    above = np.cumsum(block.band_count[:, ::-1], axis=1)[:, ::-1]
    wanted = np.maximum(PEAK_EXCEEDED * total, 1.0)
    last = np.maximum((above >= wanted[:, None]).sum(axis=1) - 1, 0)
    rows = np.arange(block.size)
    larger = np.where(
        last + 1 < BAND_COUNT, above[rows, np.minimum(last + 1, BAND_COUNT - 1)], 0.0
    )
    inside = np.maximum(above[rows, last] - larger, 1.0)
    low = BAND_EDGES_GPM[last]
    high = np.clip(block.max_interval_gpm, low, BAND_EDGES_GPM[last + 1])
    part = 1 - (wanted - larger - np.where(larger > 0, 0.5, 1.0)) / inside
    return np.asarray(low * (high / low) ** np.clip(part, 0, 1))


def _with_register(peak_gpm: Array, register_gpm: Array, uniform: Array) -> Array:
    """Peak flow if the register reports its own maximum.

    That is the largest of all moments, the peak what 0.001 % of the time exceeds: it lies a
    little below, and the register averages over some seconds of its own (our convention: 0.75
    to 1 of the reported flow).
    """
    known = np.isfinite(register_gpm) & (register_gpm > 0)
    part = _REGISTER_SHARE + (1 - _REGISTER_SHARE) * uniform
    shown = np.where(known, register_gpm, 1.0)[None] * part
    return np.where(known[None], shown, peak_gpm)


def crowding_of(block: ProfileBlock, priors: Priors, uniform: Array) -> Array:
    """Crowding of demand in the busiest interval [J, A]; none in short intervals."""
    most = np.log([priors.of(c).crowding for c in block.customer_class])
    length = np.minimum(block.interval_min / 60, 1.0)
    return np.asarray(np.exp(np.abs(ndtri(uniform)) / Z90 * most * length))


def _crowded(peak_gpm: Array, largest_gpm: Array, crowding: Array) -> Array:
    """Peak flow if demand in the largest interval crowds by a factor.

    Above the mean m the peak stands by about z sqrt(a m): the mean rises by the factor, the
    rest by its root.
    """
    level = np.minimum(largest_gpm[None], peak_gpm)
    return np.asarray(level * crowding + (peak_gpm - level) * np.sqrt(crowding))


def sustained_registered(block: ProfileBlock, reads: Reads) -> Array:
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


def actual_mean(registered_gpm: Array, flow: Flow, unit: Array, steady: Array) -> Array:
    """Actual average flow in hours with a registered average [J, A]."""
    edges = flow.registered_mean_edges
    k = np.clip((edges <= registered_gpm[None, :, None]).sum(axis=-1), 1, edges.shape[-1] - 1)
    low = np.take_along_axis(edges, k[..., None] - 1, -1)[..., 0]
    high = np.take_along_axis(edges, k[..., None], -1)[..., 0]
    span = np.where(np.isfinite(high) & (high > low), high - low, 1.0)
    part = np.clip((registered_gpm[None] - low) / span, 0, 1)
    drawn = unit * EDGES[k - 1] * (EDGES[1] / EDGES[0]) ** part
    return np.asarray(np.maximum(drawn + steady, _LEAST_REGISTERED * registered_gpm))
