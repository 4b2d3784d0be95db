"""Real flow, recorded at 10 s, drawn to years and summed to larger services.

Sources and licences stand in `recordings/README.md`. A recording's days are parted in two:
those that constants may be set on, and those that judge.
"""

from __future__ import annotations

import gzip
from functools import lru_cache
from pathlib import Path

import numpy as np

from tests.fleets.simulate import DAYS, STEPS

FOLDER = Path(__file__).parent / "recordings"
PULSE_GAL = 0.034  # of the home in Utah: not published, gives a usual home
DAY_STEPS = 8640
MOST_SHIFT = 270  # steps of 10 s a copy is moved by at most, either way
HALVES = ("set", "judge")


def _columns(name):
    with gzip.open(FOLDER / name, "rt") as lines:
        return np.loadtxt(lines, delimiter=",", skiprows=1).T


@lru_cache(maxsize=4)
def flat_days(half):
    """Days of the flat as pairs (steps of the day, flow [gpm])."""
    day, second, flow = _columns("flat_naples_10s.csv.gz")
    mine = np.unique(day)[HALVES.index(half) :: 2]
    step = (second // 10).astype(np.int64)
    return tuple((step[day == d], flow[day == d].astype(np.float32)) for d in mine)


@lru_cache(maxsize=4)
def home_hours(half):
    """Hours of the home by hour of day: 24 lists of pairs (steps of the hour, flow [gpm])."""
    hour, of_day, second, pulses = _columns("home_utah_10s.csv.gz")
    first_of_day = int(of_day[0]) - int(hour[0])
    date = (np.arange(int(hour.max()) + 1) + first_of_day) // 24
    step, flow = (second // 10).astype(np.int64), (pulses * PULSE_GAL).astype(np.float32)
    out = [[] for _ in range(24)]
    for h in range(1, int(hour.max()) + 1):
        if date[h] % 2 == HALVES.index(half):
            out[(h + first_of_day) % 24].append((step[hour == h], flow[hour == h]))
    return tuple(tuple(hours) for hours in out)


def flat_year(half, rng):
    """Steps of a year and flows [gpm] of one flat: recorded days in runs of up to a week."""
    days = flat_days(half)
    chosen = []
    while len(chosen) < DAYS:
        first, length = rng.integers(len(days)), rng.integers(1, 8)
        chosen += [(first + k) % len(days) for k in range(length)]
    moved = rng.integers(-MOST_SHIFT, MOST_SHIFT + 1, DAYS)
    step = [d * DAY_STEPS + days[k][0] + moved[d] for d, k in enumerate(chosen[:DAYS])]
    flow = [days[k][1] for k in chosen[:DAYS]]
    return np.concatenate(step) % STEPS, np.concatenate(flow)


def home_year(half, rng):
    """Steps of a year and flows [gpm] of one home: recorded hours of the same hour of day.

    An hour that the half does not hold is taken from its neighbour.
    """
    hours = home_hours(half)
    known = [h for h in range(24) if hours[h]]
    of = [min(known, key=lambda k: min((k - h) % 24, (h - k) % 24)) for h in range(24)]
    moved = rng.integers(-MOST_SHIFT, MOST_SHIFT + 1, DAYS)
    steps, flows = [], []
    for d in range(DAYS):
        for h in range(24):
            found = hours[of[h]]
            step, flow = found[rng.integers(len(found))]
            steps.append((d * 24 + h) * 360 + step + moved[d])
            flows.append(flow)
    return np.concatenate(steps) % STEPS, np.concatenate(flows)


def service_year(half, rng, *, flats, homes):
    """Flow of a service of so many flats and homes, each its own year [gpm, STEPS]."""
    total = np.zeros(STEPS, np.float32)
    for count, year in ((flats, flat_year), (homes, home_year)):
        for _ in range(count):
            step, flow = year(half, rng)
            total += np.bincount(step, flow, STEPS).astype(np.float32)
    return total
