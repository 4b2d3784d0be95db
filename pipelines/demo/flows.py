"""From use events to actual flow: rectangular pulses added up on their edges.

Time is whole seconds, intensity a multiple of 1/1024 gpm: sums of pulses are exact, and a
flow returns to zero when its last draw ends.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipelines.demo.calendar import Calendar
from pipelines.demo.draws import SEASON, WEEK, Base, Draw, Sets, Site

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

STEPS_PER_GPM: Final = 1024
SHORTEST_S: Final = 2
LEVEL_BITS: Final = 32  # of a change of flow, in steps, beside its second in one word
NO_CHANGE: Final = 1 << (LEVEL_BITS - 1)  # a word holds no sign: what stands for no change


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
        lasting += start_s
        return cls(start_s, lasting, np.rint(gpm * STEPS_PER_GPM).astype(np.int64))


@dataclass(frozen=True)
class Flow:
    """A flow that is constant between edges: `gpm[k]` from `edge_s[k]` to `edge_s[k + 1]`."""

    edge_s: Ints  # [n + 1]
    gpm: Array  # [n]

    @cached_property
    def seconds(self) -> Ints:
        """Length of each piece [n]."""
        return np.diff(self.edge_s)

    @cached_property
    def steps(self) -> NDArray[np.int32]:
        """`gpm` in whole steps [n]."""
        return np.rint(self.gpm * STEPS_PER_GPM).astype(np.int32)

    @cached_property
    def gpm_s(self) -> Array:
        """Volume of each piece [n] in gpm times seconds: 1/60 gal."""
        return self.gpm * self.seconds

    def gal_at(self, second: Ints, passed_gpm: Array | None = None) -> Array:
        """Volume from the start to each instant [gal], of `passed_gpm` where given."""
        if passed_gpm is None:
            total = self._total_gal
        else:
            total = self._running_gal(passed_gpm * self.seconds)
        return np.interp(second, self._edge_s, total)

    @cached_property
    def _edge_s(self) -> Array:
        return self.edge_s.astype(np.float64)  # as np.interp takes it

    @cached_property
    def _total_gal(self) -> Array:
        return self._running_gal(self.gpm_s)

    def _running_gal(self, gpm_s: Array) -> Array:
        total = np.zeros(len(self.edge_s))
        np.cumsum(gpm_s, out=total[1:])
        total /= 60
        return total


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
    midnight = np.append(calendar.day_start_s, calendar.span_s)
    edge, level = _levels(parts, midnight)
    is_last = np.append(edge[1:] != edge[:-1], True)  # of the changes in one second
    lasts = np.flatnonzero(is_last)
    return Flow(edge[lasts], level[lasts[:-1]] / STEPS_PER_GPM)


def _levels(parts: list[Pulses], midnight: Ints) -> tuple[Ints, Ints]:
    """Seconds in order and the level after each change, by sorting both in one word.

    Changes in one second may come in any order: their sum is exact.
    """
    word = np.empty(2 * sum(len(p.steps) for p in parts) + len(midnight), np.int64)
    word[-len(midnight) :] = midnight << LEVEL_BITS
    at = 0
    for pulses in parts:
        end_s = np.minimum(pulses.end_s, midnight[-1])
        for second, change in ((pulses.start_s, np.add), (end_s, np.subtract)):
            of_part = word[at : at + len(second)]
            np.left_shift(second, LEVEL_BITS, out=of_part)
            change(of_part, pulses.steps, out=of_part)
            at += len(second)
    word += NO_CHANGE
    word.sort()
    level = word & ((1 << LEVEL_BITS) - 1)
    level -= NO_CHANGE
    word >>= LEVEL_BITS
    return word, np.cumsum(level, out=level)


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
    return Pulses(flow.edge_s[:-1], flow.edge_s[1:], flow.steps.astype(np.int64))


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
    drawn: Array = rng.standard_normal(count)
    drawn *= spread  # in place: a site has millions of draws
    drawn -= spread**2 / 2
    np.exp(drawn, out=drawn)
    drawn *= mean
    return np.minimum(drawn, mean * (1 + 4 * cv), out=drawn)
