"""Compound meters: two elements, the changeover between them, and the flow that remains in the
low side.

Model (stated rule). A spring valve keeps the high side closed until the head loss in the low
side opens it. On falling flow it closes at the lower changeover flow, on rising flow it opens
at the higher one. While it is open the low side still passes its changeover flow, or a fixed
share of the total if that is more (parallel paths have equal head loss, and both losses go
with the square of the flow). Just above the lower changeover flow the high side has too
little flow to register: this is the dip in the accuracy curve.
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from rightsize.meters.catalogue import CompoundParts, Points
from rightsize.meters.curve import START_ROUNDING, ratio_between

Array = NDArray[np.float64]
Direction = Literal["rising", "falling", "both"]

RISING_SHARE: Final = 0.8
FALLING_SHARE: Final = 0.5
"""Changeover flows as shares of the low element's SMOC (stated rule, common practice)."""


def generic_parts(
    low: Points,
    *,
    low_starting_gpm: float,
    low_smoc_gpm: float,
    smoc_gpm: float,
    changeover_floor: float,
    changeover_falling_gpm: float | None = None,
    changeover_rising_gpm: float | None = None,
) -> CompoundParts:
    """Both elements of a compound whose accuracy just meets the changeover minimum.

    The high element's starting flow is the one at which the whole meter registers the
    floor when the low element carries the falling changeover flow.
    """
    falling = changeover_falling_gpm or FALLING_SHARE * low_smoc_gpm
    rising = changeover_rising_gpm or RISING_SHARE * low_smoc_gpm
    low_ratio = float(element_ratio(np.array([falling]), low, low_starting_gpm)[0])
    start = falling * max(low_ratio / changeover_floor - 1.0, 1e-3)
    high = ((start, 0.5), (2 * start, 0.95), (4 * start, 1.0), (smoc_gpm, 1.0))
    return CompoundParts(
        low=low,
        low_starting_gpm=low_starting_gpm,
        high=high,
        high_starting_gpm=start,
        changeover_falling_gpm=falling,
        changeover_rising_gpm=rising,
        low_share=min(low_smoc_gpm / smoc_gpm, 1.0),
    )


def element_ratio(flow_gpm: Array, points: Points, starting_gpm: float) -> Array:
    """Ratio of one element [1]: log-linear between points, 0 below its starting flow."""
    flow = np.asarray(flow_gpm, dtype=np.float64)
    start = starting_gpm * (1 - START_ROUNDING)
    return np.where(flow < start, 0.0, ratio_between(flow, points))


def low_element_flow_gpm(flow_gpm: Array, parts: CompoundParts, direction: Direction) -> Array:
    """Flow through the low element [gpm] at each whole flow, valve state by `direction`."""
    flow = np.asarray(flow_gpm, dtype=np.float64)
    opens = (
        parts.changeover_rising_gpm if direction == "rising" else parts.changeover_falling_gpm
    )
    carried = np.maximum(parts.changeover_falling_gpm, parts.low_share * flow)
    return np.where(flow <= opens, flow, np.minimum(carried, flow))


def compound_ratio(
    flow_gpm: Array, parts: CompoundParts, *, direction: Direction = "both"
) -> Array:
    """Registered over actual volume of a compound meter.

    Parameters
    ----------
    flow_gpm : array, any shape
        Actual flow [gpm].
    parts : CompoundParts
        The elements and the changeover.
    direction : {"rising", "falling", "both"}
        Where the flow came from; `both` is the mean of the two, for flow of no known past.

    Returns
    -------
    array, the shape of `flow_gpm`
        Ratio [1].
    """
    if direction == "both":
        rising = compound_ratio(flow_gpm, parts, direction="rising")
        return 0.5 * (rising + compound_ratio(flow_gpm, parts, direction="falling"))
    flow = np.asarray(flow_gpm, dtype=np.float64)
    through_low = low_element_flow_gpm(flow, parts, direction)
    through_high = flow - through_low
    registered = through_low * element_ratio(through_low, parts.low, parts.low_starting_gpm)
    registered += through_high * element_ratio(
        through_high, parts.high, parts.high_starting_gpm
    )
    return registered / np.maximum(flow, 1e-12)


def compound_points(parts: CompoundParts, *, smoc_gpm: float) -> Points:
    """The mean of the rising and the falling curve, as points for the catalog.

    Registered flow never falls with rising flow in the mean curve: where the valve's
    opening would make it fall, it is held.
    """
    falling, rising = parts.changeover_falling_gpm, parts.changeover_rising_gpm
    start = parts.high_starting_gpm
    elements = [q for q, _ in parts.low if q < falling]
    hand_over = falling + start * np.array(
        [0.0, 0.25, 0.5, 0.75, 0.999, 1.001, 1.5, 2.0, 3.0, 4.0]
    )
    knots = np.concatenate(
        [
            elements,
            hand_over,
            rising * np.array([0.9, 0.95, 0.999, 1.001, 1.05, 1.15, 1.3]),
            np.geomspace(1.5 * rising, smoc_gpm, 8),
        ]
    )
    flow = np.unique(np.round(knots[knots <= smoc_gpm], 6))
    ratio = compound_ratio(flow, parts)
    registered = np.maximum.accumulate(flow * ratio)
    return tuple(
        (float(q), round(float(r / q), 6)) for q, r in zip(flow, registered, strict=True)
    )
