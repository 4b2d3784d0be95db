"""What a change costs at the site beside the meter: fittings, pipe, strainer, power, traffic.

A site that serves the installed meter is taken to serve it as it is; a new meter pays for what
it asks beyond that. What is not recorded and may cost is a possible cost.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rightsize.contracts.site_record import SiteRecord
from rightsize.meters.laying import Laying
from rightsize.settings import Thresholds

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_SAME_IN: Final = 0.01  # [in] lengths that agree this closely are the same


@dataclass(frozen=True)
class Place:
    """The place of each installed meter [A, 1]; `said` holds yes, no or nothing."""

    size_in: Array
    lay_length_in: Array  # as recorded, or of the installed meter; NaN if unknown
    is_flanged: Flags
    straight_run_in: Array  # NaN if not recorded
    served_run_in: Array  # what the installed meter asks for
    had_strainer: Flags  # the installed meter needs one
    had_power: Flags
    said: dict[str, NDArray[np.str_]]


def site_work(
    size_in: Array,
    asks: Laying,
    meter_index: NDArray[np.int64],
    record: SiteRecord,
    limits: Thresholds,
) -> tuple[Array, Array]:
    """Known and possible cost of the work at each site for each meter, both [A, M].

    Parameters
    ----------
    size_in : array [M]
        Nominal sizes of the catalog's meters.
    asks : Laying
        What they ask of the pipe.
    meter_index : int array [A]
        Installed meter; it asks for no work.
    record : SiteRecord
        What is known of the sites.
    """
    place = _place(size_in, asks, meter_index, record)
    parts = (
        _fittings(size_in, asks, place, limits),
        _pipe(size_in, asks, place, limits),
        _strainer(size_in, asks, place, limits),
        _power(asks, place, limits),
        _traffic(size_in, place, limits),
    )
    rows = np.arange(len(meter_index))
    sums = [np.asarray(sum(p[k] for p in parts), dtype=np.float64) for k in (0, 1)]
    for usd in sums:
        usd[rows, meter_index] = 0.0
    return sums[0], sums[1]


def _place(
    size_in: Array, asks: Laying, meter_index: NDArray[np.int64], record: SiteRecord
) -> Place:
    ends = np.array(record.end_connection, dtype=np.str_)
    length = record.lay_length_in
    return Place(
        size_in=size_in[meter_index][:, None],
        lay_length_in=np.where(np.isnan(length), asks.lay_length_in[meter_index], length)[
            :, None
        ],
        is_flanged=np.where(ends == "None", asks.is_flanged[meter_index], ends == "flanged")[
            :, None
        ],
        straight_run_in=record.straight_run_in[:, None],
        served_run_in=asks.straight_run_in[meter_index][:, None],
        had_strainer=asks.has_strainer[meter_index][:, None],
        had_power=asks.needs_power[meter_index][:, None],
        said={
            name: np.array(getattr(record, name), dtype=np.str_)[:, None]
            for name in ("has_strainer", "has_power", "in_street")
        },
    )


def _fittings(
    size_in: Array, asks: Laying, place: Place, limits: Thresholds
) -> tuple[Array, Array]:
    """Reducers, spool or adapters, where size, length or ends differ."""
    longer = asks.lay_length_in - place.lay_length_in
    differs = np.abs(size_in - place.size_in) > _SAME_IN
    differs |= (np.abs(longer) > _SAME_IN) | (asks.is_flanged != place.is_flanged)
    usd = limits.fitting_usd_per_in * np.maximum(size_in, place.size_in)
    return usd * differs, usd * (~differs & np.isnan(longer))


def _pipe(
    size_in: Array, asks: Laying, place: Place, limits: Thresholds
) -> tuple[Array, Array]:
    """Pipe and vault work, where the meter is too long or the straight run too short."""
    known = (asks.lay_length_in > place.lay_length_in + _SAME_IN) | (
        asks.straight_run_in > place.straight_run_in + _SAME_IN
    )
    more_run = asks.straight_run_in > place.served_run_in + _SAME_IN
    usd = limits.repipe_usd_per_in * size_in
    return usd * known, usd * (~known & np.isnan(place.straight_run_in) & more_run)


def _strainer(
    size_in: Array, asks: Laying, place: Place, limits: Thresholds
) -> tuple[Array, Array]:
    """A strainer, where the meter needs one and none of its size stands or may stand."""
    has = place.said["has_strainer"]
    same_size = np.abs(size_in - place.size_in) < _SAME_IN
    stands = same_size & ((has == "yes") | ((has == "None") & place.had_strainer))
    may_stand = same_size & (has == "None") & ~place.had_strainer
    usd = limits.strainer_usd_per_in * size_in * asks.has_strainer
    return usd * ~(stands | may_stand), usd * may_stand


def _power(asks: Laying, place: Place, limits: Thresholds) -> tuple[Array, Array]:
    """Power from the mains, where the installed meter has none."""
    has = place.said["has_power"]
    asked = asks.needs_power & ~place.had_power
    return limits.power_usd * (asked & (has == "no")), limits.power_usd * (
        asked & (has == "None")
    )


def _traffic(size_in: Array, place: Place, limits: Thresholds) -> tuple[Array, Array]:
    """Traffic control: for any change in the street, perhaps for a large one elsewhere."""
    where = place.said["in_street"]
    larger = np.maximum(size_in, place.size_in)
    may_be = (where == "None") & (larger >= limits.traffic_min_in - _SAME_IN)
    usd = limits.traffic_control_usd
    return usd * np.broadcast_to(where == "yes", larger.shape), usd * may_be
