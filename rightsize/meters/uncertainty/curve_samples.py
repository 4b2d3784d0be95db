"""Uncertainty of a meter's accuracy curve, as joint samples of whole curves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from rightsize.meters.catalogue import Meter
from rightsize.meters.curve import START_ROUNDING, ratio_between_log
from rightsize.meters.principles import principle_of
from rightsize.meters.uncertainty.knots import HIGHEST_RATIO, knot_weights, ratio_at_knots

Array = NDArray[np.float64]

CORRELATION: Final = 0.7
"""Between the errors at neighboring knots of one meter's curve (our convention)."""
SPREAD_OF_LIMIT: Final = 0.5
"""Standard deviation of a new meter's error as a share of half its permitted band. No sample of
a new meter passes its limits at the knots (stated rule)."""
SERVICE_FACTOR: Final = 2.0
"""In-service limits over the limits of a new meter. Common in national law beside R 49 (from
memory, medium trust); at the minimum flow it gives the 90 % below which Maine 65-407 ch. 62
and Maryland COMAR 20.70.06.04 take a meter out of service (read)."""
START_SPREAD: Final = 0.3
"""What is not known of a curve below its minimum test flow, as the standard deviation of log
flow by which start and loss move together; one for every type, cut at twice that (our
convention: 9 of 10 makes within a factor of 1.6; generic starting flows rest on a rule)."""
START_CUT: Final = (-2 * START_SPREAD, 2 * START_SPREAD)
STATIC_CUT_SPAN: Final = 4.0
"""A meter without moving parts in the ground stops counting somewhere between its minimum flow
and this part of it: the cut-off is set in its electronics (common practice). As bought it is
promised nothing below the minimum flow."""
HIGHEST_START_SHARE: Final = 0.95
"""No sample starts above this share of the minimum test flow."""
WORN_START_SHARE: Final = 0.75
"""Starting flow of a fully worn meter as a share of its minimum test flow, where the new
one's is lower (stated rule)."""


@dataclass(frozen=True)
class CurveSamples:
    """Samples of curves with separate starting flows, for look-up on another grid.

    `ratio` runs on below the starting flow as if the meter turned; `cut` puts the zeros in.
    """

    ratio: Array  # [J, M, Q]
    start_gpm: Array  # [J, M]

    def cut(self, flow_gpm: Array) -> Array:
        """The ratio at the drawn flows, 0 below each sample's starting flow [J, M, Q]."""
        start_gpm = self.start_gpm[:, :, None] * (1 - START_ROUNDING)
        return np.where(flow_gpm < start_gpm, 0.0, self.ratio)


def registration_samples(
    meters: Sequence[Meter],
    flow_gpm: Array,
    samples: int,
    rng: np.random.Generator,
    *,
    in_service: bool = False,
    wear_share: tuple[float, float] = (0.0, 1.0),
) -> Array:
    """Samples of the registration of each meter: `curve_samples`, cut at the start.

    Parameters, meaning and bounds are those of `curve_samples`.

    Returns
    -------
    array [J, M, Q]
        Ratio [1], within [0, 1.1]; 0 below the sample's starting flow.
    """
    flow = np.asarray(flow_gpm, dtype=np.float64)
    apart = curve_samples(
        meters, flow, samples, rng, in_service=in_service, wear_share=wear_share
    )
    return apart.cut(flow)


def curve_samples(
    meters: Sequence[Meter],
    flow_gpm: Array,
    samples: int,
    rng: np.random.Generator,
    *,
    in_service: bool = False,
    wear_share: tuple[float, float] = (0.0, 1.0),
) -> CurveSamples:
    """Samples of the curve of each meter.

    Parameters
    ----------
    meters : sequence of Meter, M long
        Their curves are the center of the samples.
    flow_gpm : array [Q]
        Actual flow [gpm].
    samples : int
        Number J of samples.
    rng : Generator
        Source of chance; the same state gives the same samples.
    in_service : bool
        False: new meters as bought, errors within the permissible limits of a new one.
        True: meters in the ground of unknown age; each sample also wears the meter, by a share
        of the way from its new curve to the limit at which it must leave service. Meters
        without moving part do not wear, but may stand anywhere within twice the limits.
    wear_share : (float, float)
        Range of that share, drawn evenly; narrow it where age or tests say more.

    Returns
    -------
    CurveSamples
        Ratios [J, M, Q] within [0, 1.1] and starting flows [J, M]. Sample j of every meter is
        one joint state; meters are independent of each other.

    Notes
    -----
    Errors are drawn at three knots (minimum test flow, normal minimum, SMOC) with correlation
    0.7 between neighbors, and run linear in log flow between them, flat outside. The starting
    flow scatters too, and the curve below the minimum test flow moves with it. Wear lowers
    the curve most at the minimum test flow and raises the starting flow: an old meter is least
    certain at low flow.
    """
    flow = np.asarray(flow_gpm, dtype=np.float64)
    shape = (samples, len(meters))
    error = _knot_errors(meters, samples, rng, in_service=in_service)
    wear = np.zeros(shape)
    if in_service:
        moving = np.array([principle_of(m.meter_type).has_moving_part for m in meters])
        wear = rng.uniform(*wear_share, size=shape) * moving
    scatter = np.clip(START_SPREAD * even_normal(rng, shape), *START_CUT)
    ratio, start_gpm = np.empty((*shape, flow.size)), np.empty(shape)
    for row, meter in enumerate(meters):
        start_gpm[:, row] = _starts_gpm(
            meter, wear[:, row], scatter[:, row], in_service=in_service
        )
        ratio[:, row] = _ratios(meter, flow, start_gpm[:, row], error[:, row], wear[:, row])
    return CurveSamples(ratio, start_gpm)


def even_normal(rng: np.random.Generator, shape: tuple[int, ...]) -> Array:
    """Normal numbers, spread evenly over the samples (the first axis) in each column.

    Latin hypercube samples: the mean of a column is 0 and each of its equal parts is met once,
    so odds over few samples stray less than with independent numbers.
    """
    rank = (np.arange(shape[0]) + 0.5) / shape[0]
    even = np.broadcast_to(rank.reshape(-1, *([1] * (len(shape) - 1))), shape)
    return np.asarray(ndtri(rng.permuted(even, axis=0)))


def in_service_errors(meter: Meter) -> tuple[Array, Array]:
    """Mean [3] and covariance [3, 3] of the relative errors at the knots in service.

    What `registration_samples(..., in_service=True)` draws from, before bounds: half the way to
    the limit of service on average, evenly spread, with the errors of a new meter on top.
    """
    covariance = _error_covariance(meter, in_service=True)
    if not principle_of(meter.meter_type).has_moving_part:
        return np.zeros(3), covariance
    fall = _wear_error(meter, np.ones(1))[0]
    return fall / 2, covariance + np.outer(fall, fall) / 12


def new_error_covariance(meter: Meter) -> Array:
    """Covariance [3, 3] of the relative errors of a new meter at the knots, before bounds."""
    return _error_covariance(meter, in_service=False)


def _error_covariance(meter: Meter, *, in_service: bool) -> Array:
    below, above = _error_bounds([meter], in_service=in_service)
    sd = SPREAD_OF_LIMIT * (below[0] + above[0]) / 2
    apart = np.abs(np.subtract.outer(np.arange(3), np.arange(3)))
    result: Array = np.outer(sd, sd) * CORRELATION**apart
    return result


def _knot_errors(
    meters: Sequence[Meter], samples: int, rng: np.random.Generator, *, in_service: bool
) -> Array:
    """Relative errors [J, M, 3] at minimum test flow, normal minimum and SMOC."""
    z = even_normal(rng, (samples, len(meters), 3))
    for knot in (1, 2):
        fresh = np.sqrt(1 - CORRELATION**2) * z[:, :, knot]
        z[:, :, knot] = CORRELATION * z[:, :, knot - 1] + fresh
    below, above = _error_bounds(meters, in_service=in_service)
    result: Array = np.clip(SPREAD_OF_LIMIT * (below + above) / 2 * z, -below, above)
    return result


def _error_bounds(meters: Sequence[Meter], *, in_service: bool) -> tuple[Array, Array]:
    """Largest relative error below and above each curve at its knots, two arrays [M, 3].

    From the curve to the limit; half the permitted band where the curve itself (one that a
    utility measured) lies outside it.
    """
    new = np.array([ratio_at_knots(m) for m in meters]).reshape(len(meters), 3)
    low, high = (
        np.array(
            [[m.low_limits[k], m.normal_limits[k], m.normal_limits[k]] for m in meters]
        ).reshape(len(meters), 3)
        for k in (0, 1)
    )
    half = (high - low) / 2
    static = np.array(
        [not principle_of(m.meter_type).has_moving_part for m in meters], dtype=bool
    )
    factor = np.where(static & in_service, SERVICE_FACTOR, 1.0).reshape(len(meters), 1)
    below = np.where(new > low + 1e-9, new - low, half) * factor
    top = np.array([_tops(m) for m in meters]).reshape(len(meters), 3)
    above = np.where(top < high - 1e-9, high - top, half) * factor
    return below / np.maximum(new, 1e-6), above / np.maximum(top, 1e-6)


def _tops(meter: Meter) -> tuple[float, float, float]:
    """Highest ratio of the meter's own curve near each knot, which limits the error there."""
    at_min, at_normal, at_smoc = ratio_at_knots(meter)
    within = [a for q, a in meter.registration if meter.normal_min_gpm <= q <= meter.smoc_gpm]
    top = float(max(at_normal, at_smoc, *within))
    return float(at_min), top, top


def _ratios(
    meter: Meter, flow_gpm: Array, start_gpm: Array, error: Array, wear: Array
) -> Array:
    """Ratios [J, Q] of one meter under starts [J], errors at its knots [J, 3] and wear [J]."""
    ln_gpm = np.log(np.maximum(flow_gpm, 1e-12))
    unworn = _before_wear(ln_gpm, meter, start_gpm)
    ratio = ratio_between_log(unworn, meter.registration)
    bend = (error + _wear_error(meter, wear)) @ knot_weights(flow_gpm, meter)
    return np.clip(ratio * (1 + bend), 0.0, HIGHEST_RATIO)


def _starts_gpm(meter: Meter, wear: Array, scatter: Array, *, in_service: bool) -> Array:
    """Starting flow of each sample [J, gpm], from the new one to the fully worn one."""
    if not principle_of(meter.meter_type).has_moving_part:
        part = ndtr(scatter / START_SPREAD) if in_service else np.zeros_like(scatter)
        cut: Array = np.minimum(meter.starting_gpm, meter.min_test_gpm * STATIC_CUT_SPAN**-part)
        return cut
    worn = max(meter.starting_gpm, WORN_START_SHARE * meter.min_test_gpm)
    start = meter.starting_gpm * (worn / meter.starting_gpm) ** wear * np.exp(scatter)
    highest = max(meter.starting_gpm, HIGHEST_START_SHARE * meter.min_test_gpm)
    result: Array = np.minimum(start, highest)
    return result


def _before_wear(ln_gpm: Array, meter: Meter, start_gpm: Array) -> Array:
    """Log flow at which the new meter has the ratio of the worn one [J, Q].

    The stretch from start to minimum test flow is squeezed from below: a curve that starts
    later climbs later, and above the minimum test flow nothing moves.
    """
    new, end = np.log(meter.starting_gpm), np.log(meter.min_test_gpm)
    if new >= end:
        return np.broadcast_to(ln_gpm, (len(start_gpm), len(ln_gpm)))
    begin = np.log(start_gpm)[:, None]
    squeezed = end - (end - ln_gpm[None, :]) * (end - new) / np.maximum(end - begin, 1e-9)
    return np.where(ln_gpm[None, :] < end, squeezed, ln_gpm[None, :])


def _wear_error(meter: Meter, wear: Array) -> Array:
    """Relative loss at the knots [J, 3] after a share of the way to the service limit."""
    lower = (meter.low_limits[0], meter.normal_limits[0], meter.normal_limits[0])
    new = ratio_at_knots(meter)
    leaves_service = 1 - SERVICE_FACTOR * (1 - np.asarray(lower))
    fall = np.minimum(leaves_service / np.maximum(new, 1e-6) - 1, 0.0)
    result: Array = wear[:, None] * fall
    return result
