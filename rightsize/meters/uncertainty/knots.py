"""Errors of an accuracy curve at three knots, and the adjusted curve.

Uncertainty of a curve is expressed as relative errors at the minimum test flow, the normal
minimum and SMOC, linear in log flow between them and constant outside.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rightsize.meters.catalogue import Meter, Points
from rightsize.meters.curve import ratio_between

Array = NDArray[np.float64]

KNOT_COUNT: Final = 3
HIGHEST_RATIO: Final = 1.1


def knots_gpm(meter: Meter) -> tuple[float, float, float]:
    """Minimum test flow, normal minimum and SMOC [gpm]."""
    return meter.min_test_gpm, meter.normal_min_gpm, meter.smoc_gpm


def ratio_at_knots(meter: Meter) -> Array:
    """The meter's own curve at its three knots [3]."""
    return ratio_between(np.array(knots_gpm(meter)), meter.registration)


def knot_weights(flow_gpm: Array, meter: Meter) -> Array:
    """Weight of each knot's error at each flow [3, Q]; columns sum to 1."""
    ln_gpm = np.log(np.maximum(np.asarray(flow_gpm, dtype=np.float64), 1e-12))
    knots = np.log(knots_gpm(meter))
    return np.stack([np.interp(ln_gpm, knots, row) for row in np.eye(KNOT_COUNT)])


def bent_meter(meter: Meter, error: Array) -> Meter:
    """The meter with its curve changed by relative errors at the knots [3].

    The knots become points of the curve, so that it bends where the errors say; ratios are
    kept within [0, 1.1].
    """
    points = np.asarray(meter.registration, dtype=np.float64)
    inside = [q for q in knots_gpm(meter) if points[0, 0] < q < points[-1, 0]]
    flow_gpm = np.unique(np.concatenate([points[:, 0], inside]))
    ratio = ratio_between(flow_gpm, meter.registration)
    changed = np.clip(ratio * (1 + error @ knot_weights(flow_gpm, meter)), 0, HIGHEST_RATIO)
    bent: Points = tuple((float(q), float(a)) for q, a in zip(flow_gpm, changed, strict=True))
    return replace(meter, registration=bent, compound=None)
