"""Reference reducer in numpy: reads of one meter -> the statistics of ProfileBlock."""

from __future__ import annotations

import numpy as np

from rightsize.contracts.profiles import ProfileBlock
from rightsize.demand.bands import BAND_COUNT, band_of


def reads_of(registered_10s, *, interval_min, resolution_gal):
    """Interval volumes [gal] from a register that shows whole steps."""
    per = round(interval_min * 6)
    cumulative = np.cumsum(registered_10s.astype(np.float64) / 6)[per - 1 :: per]
    shown = np.floor(cumulative / resolution_gal + 1e-9) * resolution_gal
    return np.diff(shown, prepend=0.0)


def statistics(volume_gal, *, interval_min, resolution_gal):
    """One meter's row of a ProfileBlock, as a dict of arrays without the first axis."""
    flow = volume_gal / interval_min
    per_hour = round(60 / interval_min) if interval_min <= 60 else 1
    hours = flow[: len(flow) // per_hour * per_hour].reshape(-1, per_hour).mean(axis=1)
    per_day = round(1440 / interval_min)
    days = flow[: len(flow) // per_day * per_day].reshape(-1, per_day).mean(axis=1)
    out = {
        "interval_min": interval_min,
        "resolution_gal": resolution_gal,
        "days_covered": len(flow) * interval_min / 1440,
        "reads_used": len(flow),
        "registered_gal": volume_gal.sum(),
        "band_count": _count(flow),
        "band_gal": _count(flow, volume_gal),
        "zero_count": (flow <= 0).sum(),
        "hour_count": _count(hours),
        "max_interval_gpm": flow.max(),
        "max_hour_gpm": hours.max(),
        "max_day_gpm": days.max(),
        "peak_register_gpm": np.nan,
    }
    out.update(_shape(flow, interval_min))
    out.update(_days(days))
    out.update(_nights(hours))
    return out


def _count(flow, weights=None):
    band = band_of(flow)
    kept = band >= 0
    return np.bincount(
        band[kept], None if weights is None else weights[kept], BAND_COUNT
    ).astype(float)


def month_of(day):
    """Twelve months of 30 or 31 days."""
    return np.minimum((day / (365 / 12)).astype(int), 11)


def _shape(flow, interval_min):
    minute = np.arange(len(flow)) * interval_min
    day = (minute // 1440).astype(int)
    hour = ((minute % 1440) // 60).astype(int)
    group = (month_of(day) * 7 + day % 7) * 24 + hour
    count = np.bincount(group, minlength=12 * 168)
    mean = np.bincount(group, flow, 12 * 168) / np.maximum(count, 1)
    deviation = flow - mean[group]
    slots = np.where(count > 0, mean, np.nan).reshape(-1, 168)
    reads = count.reshape(-1, 168)
    steps = np.diff(slots, axis=1)
    lags = [deviation[k:] * deviation[:-k] for k in (1, 2, 3)]
    return {
        "within_ss": (deviation**2).sum(),
        "within_dof": len(flow) - (count > 0).sum(),
        "slot_ss": np.nansum(reads * slots**2),
        "slot_step_ss": np.nansum(reads[:, :-1] * steps**2) / 2,
        "lag_ss": np.array([x.sum() for x in lags]),
        "lag_count": np.array([len(x) for x in lags], float),
    }


def _days(days):
    day = np.arange(len(days))
    group = month_of(day) * 2 + (day % 7 >= 5)
    count = np.bincount(group, minlength=24)
    mean = np.bincount(group, days, 24) / np.maximum(count, 1)
    return {
        "day_ss": ((days - mean[group]) ** 2).sum(),
        "day_dof": len(days) - (count > 0).sum(),
    }


def _nights(hours):
    if len(hours) < 24 * 2:
        return {"night_count": np.zeros(BAND_COUNT), "night_zero_count": 0}
    least = hours[: len(hours) // 24 * 24].reshape(-1, 24)[:, :6].min(axis=1)
    return {"night_count": _count(least), "night_zero_count": (least <= 0).sum()}


def block_of(rows, *, ids, classes, meter_index):
    """A ProfileBlock from one dict of statistics a meter."""
    columns = {k: np.array([r[k] for r in rows], dtype=np.float64) for k in rows[0]}
    return ProfileBlock(
        account_id=tuple(ids),
        meter_id=tuple(f"M{i}" for i in ids),
        customer_class=tuple(classes),
        meter_index=np.asarray(meter_index, dtype=np.int64),
        **columns,
    )
