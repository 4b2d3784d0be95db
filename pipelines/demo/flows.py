"""From use events to actual flow: rectangular pulses added up on their edges.

Time is whole seconds, intensity a multiple of 1/1024 gpm: sums of pulses are exact, and a
flow returns to zero when its last draw ends.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipelines.demo.calendar import Calendar
from pipelines.demo.draws import SEASON, WEEK, Base, Draw, Sets, Site

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

STEPS_PER_GPM: Final = 1024
SHORTEST_S: Final = 2


@dataclass(frozen=True)
class Pulses:
    """Draws as columns, one row per draw."""

    start_s: Ints
    end_s: Ints
    steps: Ints  # intensity in 1 / STEPS_PER_GPM gpm

    @classmethod
    def of(cls, start_s: Ints, seconds: Array, gpm: Array) -> Pulses:
        """Pulses of these starts, durations [s] and intensities [gpm]."""
        lasting = np.maximum(np.rint(seconds), SHORTEST_S).astype(np.int64)
        return cls(start_s, start_s + lasting, np.rint(gpm * STEPS_PER_GPM).astype(np.int64))


@dataclass(frozen=True)
class Flow:
    """A flow that is constant between edges: `gpm[k]` from `edge_s[k]` to `edge_s[k + 1]`."""

    edge_s: Ints  # [n + 1]
    gpm: Array  # [n]

    @property
    def seconds(self) -> Ints:
        """Length of each piece."""
        return np.diff(self.edge_s)

    def gal_at(self, second: Ints, passed_gpm: Array | None = None) -> Array:
        """Volume from the start to each instant [gal], of `passed_gpm` where given."""
        gpm = self.gpm if passed_gpm is None else passed_gpm
        total = np.concatenate([[0.0], np.cumsum(gpm * self.seconds)]) / 60
        return np.interp(second, self.edge_s, total)


def flow_of(
    site: Site, calendar: Calendar, rng: np.random.Generator, *, extra: tuple[Pulses, ...] = ()
) -> Flow:
    """The flow of a site over the calendar's span, `extra` pulses (leaks) on top."""
    parts = [_drawn(draw, calendar, rng) for draw in site.draws]
    parts += [_timed(sets, calendar, rng) for sets in site.sets]
    parts += [_steady(base, calendar, rng) for base in site.bases]
    return added_up([*parts, *extra], calendar)


def added_up(parts: list[Pulses], calendar: Calendar) -> Flow:
    """All pulses as one flow, with an edge at every local midnight too."""
    start = np.concatenate([p.start_s for p in parts])
    end = np.minimum(np.concatenate([p.end_s for p in parts]), calendar.span_s)
    steps = np.concatenate([p.steps for p in parts])
    midnight = np.append(calendar.day_start_s, calendar.span_s)
    second = np.concatenate([start, end, midnight])
    change = np.concatenate([steps, -steps, np.zeros_like(midnight)])
    order = _order(second)
    edge = second[order]
    level = np.cumsum(change[order])
    lasts = np.flatnonzero(np.diff(edge))  # of changes in one second only the last one stays
    return Flow(np.append(edge[lasts], edge[-1]), level[lasts] / STEPS_PER_GPM)


def _order(second: Ints) -> Ints:
    """Stable order of small whole numbers, by sorting number and place in one word."""
    place_bits = len(second).bit_length()
    word = (second << place_bits) | np.arange(len(second))
    word.sort()
    return word & ((1 << place_bits) - 1)


def _drawn(draw: Draw, calendar: Calendar, rng: np.random.Generator) -> Pulses:
    days = int(calendar.day[-1]) + 1
    rate = draw.starts_per_hour(calendar) * _wander(days, draw.day_cv, rng)[calendar.day]
    count = rng.poisson(rate)
    start = np.repeat(3600 * np.arange(calendar.hour_count), count)
    start = start + rng.integers(0, 3600, len(start))
    if draw.pulses > 1:
        start = (start[:, None] + draw.gap_s * np.arange(draw.pulses)).ravel()
        start = start[start < calendar.span_s]
    gpm = _log_normal(draw.gpm, draw.gpm_cv, len(start), rng)
    return Pulses.of(start, _log_normal(draw.seconds, draw.seconds_cv, len(start), rng), gpm)


def _timed(sets: Sets, calendar: Calendar, rng: np.random.Generator) -> Pulses:
    is_start = (calendar.hour_of_day == sets.hour) & np.isin(calendar.weekday, sets.weekdays)
    season = np.asarray(SEASON[sets.season])[calendar.month_of_year]
    hour = np.flatnonzero(is_start & (season > 0))
    zone = np.arange(len(sets.zone_gpm))
    zone_s = np.rint(sets.zone_s * season[hour])[:, None]
    start = (3600 * hour[:, None] + zone_s * zone).astype(np.int64)
    rained = rng.random(len(hour)) < 0.12
    keep = ~rained[:, None] & (start < calendar.span_s)
    gpm = np.broadcast_to(np.asarray(sets.zone_gpm), start.shape)
    return Pulses.of(start[keep], np.broadcast_to(zone_s, start.shape)[keep], gpm[keep])


def _steady(base: Base, calendar: Calendar, rng: np.random.Generator) -> Pulses:
    start = calendar.day_start_s
    first = start // 3600
    level = base.gpm * _wander(len(start), base.day_cv, rng)
    level = level * np.asarray(SEASON[base.season])[calendar.month_of_year[first]]
    level = level * np.asarray(WEEK[base.week])[calendar.weekday[first]]
    return Pulses.of(start, np.diff(np.append(start, calendar.span_s)).astype(float), level)


def pulses_of(flow: Flow) -> Pulses:
    """The pieces of a flow as pulses, to be added up with others."""
    steps = np.rint(flow.gpm * STEPS_PER_GPM).astype(np.int64)
    return Pulses(flow.edge_s[:-1], flow.edge_s[1:], steps)


def without(flow: Flow, from_s: int, to_s: int) -> Flow:
    """The flow with nothing drawn between two local midnights."""
    is_out = (flow.edge_s[:-1] >= from_s) & (flow.edge_s[:-1] < to_s)
    return Flow(flow.edge_s, np.where(is_out, 0.0, flow.gpm))


def leak(gpm: float, start_s: int, end_s: int) -> Pulses:
    """A steady flow between two instants."""
    return Pulses.of(np.array([start_s]), np.array([float(end_s - start_s)]), np.array([gpm]))


def _wander(count: int, cv: float, rng: np.random.Generator) -> Array:
    """Factors of mean 1 that differ from day to day."""
    return rng.gamma(1 / cv**2, cv**2, count)


def _log_normal(mean: float, cv: float, count: int, rng: np.random.Generator) -> Array:
    spread = np.sqrt(np.log1p(cv**2))
    drawn = mean * np.exp(spread * rng.standard_normal(count) - spread**2 / 2)
    volumes: Array = np.minimum(drawn, mean * (1 + 4 * cv))
    return volumes
