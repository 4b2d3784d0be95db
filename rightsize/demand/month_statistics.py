"""Statistics of a month on a grid: the rows of `month_stat`, `month_band` and `day_flow`.

Each function takes a block of meters and returns columns by name. Not-a-number stands for what
a meter's reads do not show. Meanings and units are those of `sql/30_profile`.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rightsize.demand import bands
from rightsize.demand.month_grid import (
    ABSENT,
    DAY_US,
    ESTIMATED,
    MINUTE_US,
    Bools,
    Floats,
    GridClock,
    Groups,
    Ints,
    MonthGrid,
)

Columns = dict[str, NDArray[Any]]

DAY_HOURS: Final = 20
"""Full hours that a local day needs to count as one [h]; as in `day_read`."""
_LAGS: Final = (1, 2, 3)
_NONE_US: Final = np.iinfo(np.int64).min  # no such moment
_BINS: Final = bands.BAND_COUNT + 2  # one of no flow before the bands, one of no read after
_LOG_SCALE: Final = bands.BANDS_PER_DECADE / np.log(10)
_LOG_ORIGIN: Final = np.log(bands.FIRST_EDGE_GPM) * _LOG_SCALE - 1e-9


def volume(grid: MonthGrid) -> Columns:
    """Counts, volumes and times of each meter's reads."""
    clock, gal, kind = grid.clock, grid.gal, grid.kind
    is_read = kind != ABSENT
    count = np.count_nonzero(is_read, axis=1)
    estimated = kind == ESTIMATED
    shape_count = np.count_nonzero(grid.is_shape, axis=1)
    first, last = is_read.argmax(axis=1), _last(is_read)
    local_first, local_last = _local_ends(clock, is_read, first, last)
    uses = is_read & (gal > 0)
    last_use_us = np.where(uses.any(axis=1), clock.starts_us[_last(uses)], _NONE_US)
    largest = np.where(shape_count > 0, grid.flow_gpm.max(axis=1), np.nan)
    return {
        "days_covered": count * clock.interval_min / 1440,
        "gap_days": np.zeros(len(gal)),
        "read_count": count,
        "shape_count": shape_count,
        "estimated_count": np.count_nonzero(estimated, axis=1),
        "registered_gal": gal.sum(axis=1),
        "estimated_gal": np.where(estimated, gal, 0.0).sum(axis=1),
        "backward_gal": np.minimum(gal, 0.0).sum(axis=1),
        "gap_gal": np.zeros(len(gal)),
        "zero_count": np.count_nonzero(grid.is_shape & (gal == 0), axis=1),
        "max_interval_gpm": largest,
        "first_us": clock.starts_us[first],
        "first_day": local_first // DAY_US,
        "last_day": local_last // DAY_US,
        "last_us": clock.starts_us[last],
        "elapsed_days": _elapsed_days(local_last, clock.interval_min),
        "last_use_us": last_use_us,
    }


def week_pattern(grid: MonthGrid) -> Columns:
    """Sums of squares around the mean of each hour of the week, and of neighbors."""
    flow, slots = grid.flow_gpm, grid.clock.slots
    count = _counts(grid, slots)
    is_seen = count > 0
    mean = slots.add(flow) / np.maximum(count, 1)
    of_column = np.searchsorted(slots.keys, grid.clock.slot)
    deviation = flow - np.take(mean, of_column, axis=1)
    if not grid.is_full:
        deviation *= grid.is_shape
    found: Columns = {
        "within_ss": np.einsum("ij,ij->i", deviation, deviation),
        "within_dof": (count - is_seen).sum(axis=1),
        "within_mean_sum": ((count - is_seen) * mean).sum(axis=1),
        "slot_ss": (count * mean * mean).sum(axis=1),
        "slot_step_ss": _slot_steps(count, mean, is_seen),
    }
    for lag in _LAGS:
        found[f"lag{lag}_ss"], found[f"lag{lag}_count"] = _lagged(grid, deviation, lag)
    for name, values in found.items():
        found[name] = np.where(is_seen.any(axis=1), values, np.nan)
    return found


def days(grid: MonthGrid) -> Columns:
    """Each local day (meters, days): average, least and night flow [gpm], and what counts."""
    clock, flow = grid.clock, grid.hour_gpm
    in_days = clock.days
    hours = in_days.add(grid.is_hour)
    least = flow if grid.is_full else np.where(grid.is_hour, flow, np.inf)
    night = np.full(hours.shape, np.inf)
    if len(clock.nights.keys):
        night[:, np.searchsorted(in_days.keys, clock.nights.keys)] = clock.nights.least(least)
    return {
        "is_day": hours >= DAY_HOURS,
        "day_gpm": in_days.add(flow) / np.maximum(hours, 1),
        "least_gpm": in_days.least(least),
        "night_gpm": np.where(np.isinf(night), np.nan, night),
    }


def hours_and_days(grid: MonthGrid, of_days: Columns) -> Columns:
    """Largest hour and day, and the spread of days around weekdays' and weekends' means."""
    is_day, day_gpm = of_days["is_day"], of_days["day_gpm"]
    is_weekend = (grid.clock.days.keys + 3) % 7 >= 5
    ss = np.zeros(len(is_day))
    dof = np.zeros(len(is_day))
    for group in (is_weekend, ~is_weekend):
        chosen = np.compress(group, is_day, axis=1)  # whole rows in memory, see `Groups`
        count = np.count_nonzero(chosen, axis=1)
        values = np.where(chosen, np.compress(group, day_gpm, axis=1), 0.0)
        mean = values.sum(axis=1) / np.maximum(count, 1)
        ss += (np.where(chosen, values - mean[:, None], 0.0) ** 2).sum(axis=1)
        dof += np.maximum(count - 1, 0)
    has_hour, has_day = grid.is_hour.any(axis=1), is_day.any(axis=1)
    zero_nights = np.count_nonzero(is_day & (of_days["night_gpm"] == 0), axis=1)
    largest = np.where(is_day, day_gpm, -np.inf).max(axis=1, initial=-np.inf)
    return {
        "max_hour_gpm": np.where(has_hour, grid.hour_gpm.max(axis=1), np.nan),
        "max_day_gpm": np.where(has_day, largest, np.nan),
        "day_ss": np.where(has_day, ss, np.nan),
        "day_dof": np.where(has_day, dof, np.nan),
        "day_count": np.where(has_day, np.count_nonzero(is_day, axis=1), np.nan),
        "night_zero_count": np.where(has_day, zero_nights, np.nan),
    }


def interval_histogram(grid: MonthGrid) -> Columns:
    """Reads and volumes by meter and flow band; band -1 holds reads without flow.

    Equal volumes are counted together: their sum is the volume times its count.
    """
    found = grid.distinct
    row, gal = found.row, found.gal
    place = _places(gal / grid.clock.interval_min) + row * _BINS
    size = len(grid.gal) * _BINS
    count = np.bincount(place, found.count, size).astype(np.int64).reshape(-1, _BINS)
    if not grid.is_full:
        count[:, 0] -= grid.is_shape.shape[1] - np.count_nonzero(grid.is_shape, axis=1)
    return _by_band(count, _volumes(place, gal * found.count, size))


def histogram(flow_gpm: Floats, is_window: Bools | None, volume_gal: Floats) -> Columns:
    """Windows and volumes by meter and flow band; band -1 holds windows without flow."""
    place = _places(flow_gpm)
    if is_window is not None:
        place[~is_window] = _BINS - 1
    place += (np.arange(len(flow_gpm)) * _BINS)[:, None]
    size = len(flow_gpm) * _BINS
    count = np.bincount(place.ravel(), minlength=size).reshape(-1, _BINS)
    return _by_band(count, _volumes(place, volume_gal, size))


def _places(flow_gpm: Floats) -> Ints:
    """The bin of each flow: its band and one, 0 without flow."""
    with np.errstate(divide="ignore", invalid="ignore"):
        bins = np.log(flow_gpm)
        bins *= _LOG_SCALE
        bins -= _LOG_ORIGIN
    np.floor(bins, out=bins)
    np.clip(bins, -1, bands.BAND_COUNT - 1, out=bins)
    bins[(bins < 0) & (flow_gpm > 0)] = 0  # below the first edge
    found: Ints = bins.astype(np.int64) + 1
    return found


def _volumes(place: Ints, gal: Floats, size: int) -> Floats:
    return np.bincount(place.ravel(), gal.ravel(), size).astype(np.float64)


def _by_band(count: Ints, gal: Floats) -> Columns:
    row, band = np.nonzero(count[:, :-1])
    return {
        "row": row,
        "band": band - 1,
        "window_count": count[row, band],
        "volume_gal": gal.reshape(-1, _BINS)[row, band],
    }


def _lagged(grid: MonthGrid, deviation: Floats, lag: int) -> tuple[Floats, Ints]:
    """Sum of products of deviations so many reads apart, and their number.

    Both reads and all between them must show a flow rate.
    """
    earlier, later = deviation[:, :-lag], deviation[:, lag:]
    if grid.is_full:
        count = np.full(len(deviation), max(0, deviation.shape[1] - lag))
    else:
        steps = max(0, deviation.shape[1] - lag)
        unbroken = grid.is_shape[:, :steps].copy()
        for ahead in range(1, lag + 1):
            unbroken &= grid.is_shape[:, ahead : ahead + steps]
        count = np.count_nonzero(unbroken, axis=1)
        earlier = earlier * unbroken
    product: Floats = np.einsum("ij,ij->i", earlier, later)
    return np.where(count > 0, product, np.nan), count


def _counts(grid: MonthGrid, groups: Groups) -> Floats:
    if grid.is_full:
        alike = np.diff(np.append(groups.first, len(groups.columns))).astype(np.float64)
        return np.broadcast_to(alike, (len(grid.gal), len(alike)))
    return groups.add(grid.is_shape)


def _slot_steps(count: Floats, mean: Floats, is_seen: Bools) -> Floats:
    """Squared steps to the mean of the next hour of the week that has reads."""
    if is_seen.all():
        following = mean[:, 1:]
    else:
        filled = np.where(is_seen, mean, np.nan)[:, ::-1]
        at = np.where(is_seen[:, ::-1], np.arange(mean.shape[1]), 0)
        at = np.maximum.accumulate(at, axis=1)
        following = np.take_along_axis(filled, at, axis=1)[:, ::-1][:, 1:]
    square = count[:, :-1] * (mean[:, :-1] - following) ** 2
    has_step = np.count_nonzero(is_seen, axis=1) > 1
    return np.where(has_step, np.nansum(square, axis=1) / 2, np.nan)


def _last(mask: Bools) -> Ints:
    found: Ints = mask.shape[1] - 1 - mask[:, ::-1].argmax(axis=1)
    return found


def _local_ends(clock: GridClock, is_read: Bools, first: Ints, last: Ints) -> tuple[Ints, Ints]:
    """Earliest and latest local time of each meter's reads."""
    if clock.is_monotone:
        return clock.local_us[first], clock.local_us[last]
    largest = np.iinfo(np.int64).max
    earliest = np.where(is_read, clock.local_us, largest).min(axis=1)
    return earliest, np.where(is_read, clock.local_us, -largest).max(axis=1)


def _elapsed_days(local_us: Ints, interval_min: int) -> Floats:
    """Days of the local month up to the end of the interval that starts then."""
    moment = local_us.astype("datetime64[us]")
    month = moment.astype("datetime64[M]")
    begun_us = (moment - month.astype("datetime64[us]")).astype(np.int64)
    in_month = ((month + 1).astype("datetime64[D]") - month.astype("datetime64[D]")).astype(
        np.int64
    )
    found: Floats = np.minimum((begun_us + interval_min * MINUTE_US) / DAY_US, in_month)
    return found
