"""What the head-end makes of a flow: register steps, gaps, estimates, repeats, corrections."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pipelines.demo.calendar import Calendar
from pipelines.demo.flows import STEPS_PER_GPM, Flow
from rightsize.meters.catalogue import Meter
from rightsize.meters.curve import registration_ratio

Ints = NDArray[np.int64]
Bytes = NDArray[np.uint8]

ACTUAL, ESTIMATED, CORRECTED = 0, 1, 2
QUALITY_CODE: Final = ("A", "E", "C")


@dataclass(frozen=True)
class Service:
    """One meter on one account: from when to when, and how its register behaves."""

    meter_id: str
    meter: Meter
    step: float  # smallest step of the register, in the unit of its export
    unit_gal: float  # gallons in one unit of its export
    multiplier: int = 1  # the export prints volume / multiplier, as meters.csv says
    from_s: int = 0
    to_s: int | None = None
    stopped_s: int | None = None
    slowed_by_month: float = 0.0  # share of registration lost each month
    lost_share: float = 0.0  # of what the meter's curve would register
    first_reading: int = 0  # steps on the dial at the start of the span

    @property
    def step_gal(self) -> float:
        """Gallons in one step of the register."""
        return self.step * self.unit_gal


@dataclass(frozen=True)
class Rows:
    """Rows of one meter in the order written, as columns."""

    interval: Ints
    steps: Ints
    quality: Bytes
    file: Ints  # month of the file; a correction is `CORRECTION + month corrected`

    def plus(self, other: Rows) -> Rows:
        """These rows, then the others."""
        pairs = zip(vars(self).values(), vars(other).values(), strict=True)
        return Rows(*(np.concatenate(pair) for pair in pairs))

    def where(self, keep: NDArray[np.bool_]) -> Rows:
        """Only the rows marked."""
        return Rows(self.interval[keep], self.steps[keep], self.quality[keep], self.file[keep])


CORRECTION: Final = 1000


def readings(flow: Flow, service: Service, calendar: Calendar, step_min: int) -> Ints:
    """Steps on the dial at each border of the span's intervals [intervals + 1]."""
    border_s = 60 * step_min * np.arange(calendar.span_s // (60 * step_min) + 1)
    passed = flow.gpm * _ratio(flow, service.meter)
    if service.lost_share:
        passed = passed * (1 - service.lost_share)
    at = np.clip(border_s, service.from_s, _last_s(service, calendar))
    gal = flow.gal_at(at, passed)
    if service.slowed_by_month:
        slowed = (1 - service.slowed_by_month) ** calendar.month
        share = np.repeat(slowed, 60 // step_min)
        gal = np.concatenate([[0.0], np.cumsum(np.diff(gal) * share)])
    gal = gal - gal[0]
    steps = np.floor(gal / service.step_gal + 1e-9)
    return service.first_reading + np.asarray(steps, dtype=np.int64)


def _ratio(flow: Flow, meter: Meter) -> NDArray[np.float64]:
    """Registration of each piece of a flow: looked up by level, which are far fewer."""
    is_level = np.zeros(int(flow.steps.max()) + 1, dtype=bool)
    is_level[flow.steps] = True
    level = np.flatnonzero(is_level)
    ratio = np.zeros(len(is_level))
    ratio[level] = registration_ratio(level / STEPS_PER_GPM, meter)
    return ratio[flow.steps]


def _last_s(service: Service, calendar: Calendar) -> int:
    ends = (service.to_s, service.stopped_s, calendar.span_s)
    return min(end for end in ends if end is not None)


def clean_rows(dial: Ints, service: Service, calendar: Calendar, step_min: int) -> Rows:
    """One row an interval while the meter was in service."""
    step_s = 60 * step_min
    first = -(-service.from_s // step_s)
    last = (calendar.span_s if service.to_s is None else service.to_s) // step_s
    interval = np.arange(first, last)
    month = calendar.month[interval * step_s // 3600]
    return Rows(interval, np.diff(dial)[first:last], np.zeros(len(interval), np.uint8), month)


def with_estimates(rows: Rows, rng: np.random.Generator, *, share: float, longest: int) -> Rows:
    """Some runs replaced by the head-end's own flat estimate of the same volume, code E."""
    steps, quality = rows.steps.copy(), rows.quality.copy()
    for first, last in _runs(len(steps), share, longest, rng):
        total, length = int(steps[first:last].sum()), last - first
        steps[first:last] = np.diff(np.arange(length + 1) * total // length)
        quality[first:last] = ESTIMATED
    return Rows(rows.interval, steps, quality, rows.file)


def with_gaps(rows: Rows, rng: np.random.Generator, *, share: float, longest: int) -> Rows:
    """Some runs of rows never arrive."""
    keep = np.ones(len(rows.steps), dtype=bool)
    for first, last in _runs(len(keep), share, longest, rng):
        keep[first:last] = False
    return rows.where(keep)


def repeated(rows: Rows, rng: np.random.Generator) -> Rows:
    """A day of rows that the file of its month, or of the next, holds a second time."""
    if len(rows.steps) < 48:
        return rows.where(np.zeros(len(rows.steps), dtype=bool))
    first = int(rng.integers(len(rows.steps) - 24))
    again = rows.where((np.arange(len(rows.steps)) - first) % len(rows.steps) < 24)
    next_file = np.minimum(again.file + int(rng.random() < 0.4), rows.file.max())
    return Rows(again.interval, again.steps, again.quality, next_file)


def with_correction(rows: Rows, month: int, rng: np.random.Generator) -> Rows:
    """A run of that month was written wrongly (code E); the true reads come later, code C."""
    place = np.flatnonzero(rows.file == month)
    if len(place) < 60:
        return rows
    length = int(rng.integers(12, 49))
    chosen = place[(offset := int(rng.integers(len(place) - length))) : offset + length]
    late = Rows(
        rows.interval[chosen],
        rows.steps[chosen],
        np.full(length, CORRECTED, np.uint8),
        np.full(length, CORRECTION + month),
    )
    steps, quality = rows.steps.copy(), rows.quality.copy()
    steps[chosen] = int(0.6 * steps[chosen].mean())
    quality[chosen] = ESTIMATED
    return Rows(rows.interval, steps, quality, rows.file).plus(late)


def _runs(
    count: int, share: float, longest: int, rng: np.random.Generator
) -> list[tuple[int, int]]:
    """Random runs that cover about `share` of `count` places."""
    mean = (1 + longest) / 2
    starts = rng.integers(0, max(count, 1), int(rng.poisson(share * count / mean)))
    lengths = rng.integers(1, longest + 1, len(starts))
    return [(int(s), min(int(s + n), count)) for s, n in zip(starts, lengths, strict=True)]
