"""The place of each meter as it truly is, and what work there costs: a part of the truth.

Written apart from the decision, which knows only what the meter list records: prices are those
of the thresholds, what a meter asks of the pipe is that of the catalog.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rightsize.meters.catalogue import Meter
from rightsize.meters.laying import laying
from rightsize.settings import Thresholds

Array = NDArray[np.float64]

EQUIVALENT_GPM: Final = 20.0  # [gpm] SMOC of a 5/8 in displacement meter, AWWA C700
_SAME_IN: Final = 0.01  # [in] lengths that agree this closely are the same


@dataclass(frozen=True)
class Place:
    """What a crew finds at a site."""

    line_in: float  # service line
    has_room: bool  # for a longer straight run than the installed meter's
    has_power: bool
    in_street: bool
    spool_differs: bool  # where the catalog does not know a laying length


def place_of(
    rng: np.random.Generator, *, line_in: float, in_street: bool | None, odds: float
) -> Place:
    """A place whose unrecorded facts cost money as often as the settings say.

    Parameters
    ----------
    in_street : bool or None
        As recorded; None where it is not.
    odds : float
        `unknown_site_odds` of the thresholds.
    """
    costs = rng.random(4) < odds
    return Place(
        line_in=line_in,
        has_room=not costs[0],
        has_power=not costs[1],
        in_street=bool(costs[2]) if in_street is None else in_street,
        spool_differs=bool(costs[3]),
    )


def site_usd(meters: tuple[Meter, ...], now: int, place: Place, limits: Thresholds) -> Array:
    """What putting in each meter costs at the place beside purchase and installation [M]."""
    asks = laying(meters)
    size = np.array([m.size_in for m in meters], dtype=np.float64)
    smoc = np.array([m.smoc_gpm for m in meters], dtype=np.float64)
    larger = np.maximum(size, size[now])
    longer = asks.lay_length_in - asks.lay_length_in[now]
    fittings = np.abs(size - size[now]) > _SAME_IN
    fittings |= (np.abs(longer) > _SAME_IN) | (asks.is_flanged != asks.is_flanged[now])
    fittings |= np.isnan(longer) & place.spool_differs
    is_short = (asks.straight_run_in > asks.straight_run_in[now] + _SAME_IN) & (
        not place.has_room
    )
    repipe = (longer > _SAME_IN) | is_short
    stands = asks.has_strainer[now] & (np.abs(size - size[now]) < _SAME_IN)
    power = asks.needs_power & ~asks.needs_power[now] & (not place.has_power)
    usd = limits.refit_usd_per_in * np.abs(size - size[now])
    usd += limits.fitting_usd_per_in * larger * fittings
    usd += limits.repipe_usd_per_in * size * repipe
    usd += limits.strainer_usd_per_in * size * (asks.has_strainer & ~stands)
    usd += limits.power_usd * power
    in_street = place.in_street & (larger >= limits.traffic_min_in)
    usd += limits.traffic_control_usd * in_street
    is_larger = size > size[now] + _SAME_IN
    usd += limits.tap_and_line_usd_per_in * size * (is_larger & (size > place.line_in))
    more = np.maximum(smoc - smoc[now], 0.0) / EQUIVALENT_GPM
    usd += limits.capacity_charge_usd_per_equivalent * more * is_larger
    usd[now] = 0.0
    return np.asarray(usd, dtype=np.float64)
