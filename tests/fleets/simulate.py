"""Flow of a site at 10 s over a year, from events: starts, durations, intensities."""

from __future__ import annotations

import numpy as np

STEP_MIN = 1 / 6
DAYS = 365
STEPS = DAYS * 24 * 360
_HOURS = np.arange(DAYS * 24)


def flow_10s(site, rng):
    """Actual flow [gpm] of each 10 s step, float32 [STEPS]."""
    start, minutes, gpm = [], [], []
    for draw in site.draws:
        for part, values in zip(
            (start, minutes, gpm), _draw_events(site, draw, rng), strict=True
        ):
            part.append(values)
    if site.zones is not None:
        for part, values in zip(
            (start, minutes, gpm), _zone_events(site.zones, rng), strict=True
        ):
            part.append(values)
    flow = _rectangles(np.concatenate(start), np.concatenate(minutes), np.concatenate(gpm))
    if site.leak_gpm > 0:
        flow[site.leak_from_day * 8640 :] += np.float32(site.leak_gpm)
    return flow


def hourly_rate(site, rng):
    """Relative demand by hour of the year, mean 1."""
    day = _HOURS // 24
    rate = np.tile(np.array(site.hours), DAYS)
    rate = rate * np.where(day % 7 >= 5, site.weekend, 1.0)
    rate = rate * (1 + site.season * np.cos(2 * np.pi * (day - 200) / 365))
    shape = 1 / max(site.day_cv, 1e-3) ** 2
    rate = rate * rng.gamma(shape, 1 / shape, DAYS)[day]
    for first, last in site.closed_days:
        rate = np.where((day >= first) & (day < last), rate * 0.05, rate)
    return rate / rate.mean()


def _draw_events(site, draw, rng):
    volume = draw.flow_gpm * draw.duration_min
    mean_count = site.gal_per_day * draw.volume_share / volume / 24
    counts = rng.poisson(mean_count * hourly_rate(site, rng))
    total = int(counts.sum())
    minute = rng.random(total) * 60
    if site.bell_share > 0:
        bell = rng.random(total) < site.bell_share
        minute = np.where(bell, rng.random(total) * 6, minute)
    start = np.repeat(_HOURS * 60.0, counts) + minute
    minutes = draw.duration_min * _positive(rng, draw.duration_cv, total)
    gpm = draw.flow_gpm * _positive(rng, draw.flow_cv, total)
    if draw.one_at_a_time and total:
        start = _queued(start, minutes)
    return start, minutes, gpm


def _positive(rng, cv, count):
    sigma = np.sqrt(np.log1p(cv**2))
    return rng.lognormal(-0.5 * sigma**2, sigma, count)


def _queued(start, minutes):
    """Each draw waits for the one before it."""
    order = np.argsort(start)
    s, d = start[order], minutes[order]
    ends = np.cumsum(d) + np.maximum.accumulate(s - np.concatenate([[0], np.cumsum(d)[:-1]]))
    return_start = np.empty_like(s)
    return_start[order] = ends - d
    return return_start


def _zone_events(zones, rng):
    start, minutes, gpm = [], [], []
    for day in range(zones.from_day, zones.to_day):
        if day % 7 not in zones.weekdays or rng.random() < zones.skip_share:
            continue
        at = day * 1440 + zones.start_hour * 60 + zones.jitter_min * rng.random()
        summer = 0.7 + 0.5 * np.sin(
            np.pi * (day - zones.from_day) / (zones.to_day - zones.from_day)
        )
        for flow, length in zip(zones.flows_gpm, zones.minutes, strict=True):
            start.append(at)
            minutes.append(length * summer)
            gpm.append(flow * (1 + 0.03 * rng.standard_normal()))
            at += length * summer
    return np.array(start), np.array(minutes), np.array(gpm)


def _rectangles(start, minutes, gpm):
    """Exact mean flow of every step under rectangles that may start and stop inside one."""
    delta = np.zeros(STEPS + 2)
    for at, sign in ((start, 1.0), (start + minutes, -1.0)):
        position = np.clip(at / STEP_MIN, 0, STEPS)
        step = position.astype(np.int64)
        part = position - step
        delta += np.bincount(step, sign * gpm * (1 - part), STEPS + 2)
        delta += np.bincount(step + 1, sign * gpm * part, STEPS + 2)
    return np.maximum(np.cumsum(delta)[:STEPS], 0).astype(np.float32)
