"""Sites of many kinds: what draws water there, how fast, how long, when.

Written from the trade's side (what stands in such a building), not from the priors: medians
differ from the priors' on purpose, by site and by fleet.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

Z90 = 1.645  # [sd] of a normal law within which nine of ten lie
OFFICE_HOURS = [
    1,
    1,
    1,
    1,
    1,
    2,
    6,
    20,
    60,
    80,
    85,
    80,
    90,
    85,
    75,
    75,
    70,
    50,
    20,
    10,
    6,
    4,
    2,
    1,
]
MEAL_HOURS = [
    2,
    1,
    0,
    0,
    0,
    2,
    8,
    15,
    20,
    30,
    50,
    80,
    90,
    60,
    40,
    40,
    60,
    85,
    95,
    80,
    60,
    40,
    25,
    8,
]
HOME_HOURS = [
    15,
    9,
    7,
    7,
    12,
    35,
    85,
    95,
    75,
    60,
    55,
    50,
    50,
    45,
    45,
    48,
    60,
    75,
    80,
    75,
    65,
    55,
    40,
    25,
]
SHIFT_HOURS = [
    3,
    3,
    3,
    3,
    3,
    10,
    60,
    90,
    90,
    70,
    90,
    90,
    60,
    90,
    90,
    80,
    60,
    50,
    50,
    50,
    40,
    30,
    8,
    3,
]
ROUND_HOURS = [
    35,
    30,
    30,
    30,
    35,
    50,
    75,
    90,
    90,
    85,
    85,
    85,
    80,
    80,
    80,
    80,
    80,
    80,
    75,
    70,
    60,
    55,
    45,
    40,
]
SCHOOL_HOURS = [
    0,
    0,
    0,
    0,
    0,
    2,
    10,
    60,
    80,
    95,
    90,
    95,
    100,
    80,
    80,
    45,
    20,
    10,
    6,
    3,
    1,
    0,
    0,
    0,
]


class FleetRandom:
    """A generator that also knows which fleet it draws for."""

    def __init__(self, seed):
        self.fleet_seed = seed
        self._rng = np.random.default_rng(seed)

    def __getattr__(self, name):
        return getattr(self._rng, name)


@dataclass(frozen=True)
class Draw:
    """One kind of draw at a site: medians, and the spread from draw to draw."""

    volume_share: float
    flow_gpm: float
    flow_cv: float
    duration_min: float
    duration_cv: float
    one_at_a_time: bool = False


@dataclass(frozen=True)
class Zones:
    """Irrigation: zones run one after the other on set days in season."""

    flows_gpm: tuple[float, ...]
    minutes: tuple[float, ...]
    start_hour: float
    weekdays: tuple[int, ...]
    from_day: int
    to_day: int
    skip_share: float
    jitter_min: float


@dataclass(frozen=True)
class Site:
    """All that flows at one site."""

    kind: str
    customer_class: str
    gal_per_day: float
    draws: tuple[Draw, ...]
    hours: tuple[float, ...]
    weekend: float
    season: float
    day_cv: float
    bell_share: float = 0.0  # part of draws that fall into minutes after a bell
    closed_days: tuple[tuple[int, int], ...] = ()
    zones: Zones | None = None
    leak_gpm: float = 0.0
    leak_from_day: int = 0
    leak_law: tuple[float, float, float] | None = None  # share, median [gpm], factor
    tags: tuple[str, ...] = field(default=())


def _ln(rng, median, factor90):
    return float(median * np.exp(rng.standard_normal() * np.log(factor90) / Z90))


def _leak(rng, share, median, factor):
    if rng.random() > share:
        return 0.0, 0
    start = 0 if rng.random() < 0.75 else int(rng.integers(30, 300))
    return _ln(rng, median, factor), start


def _mix(rng, parts, tilts):
    shares = rng.dirichlet([8 * p[0] for p in parts])
    return tuple(
        Draw(
            float(s),
            _ln(rng, p[1] * tilt[0], p[2]),
            rng.uniform(0.1, 0.45),
            _ln(rng, p[3] * tilt[1], p[4]),
            rng.uniform(0.3, 1.0),
            bool(len(p) > 5 and p[5]),
        )
        for s, p, tilt in zip(shares, parts, tilts[: len(parts)], strict=True)
    )


def tilts_of(fleet_seed, kind):
    """What a whole fleet has in common: its fixtures differ from the medians written here."""
    rng = np.random.default_rng([fleet_seed, *kind.encode()])
    return np.exp(rng.standard_normal((8, 2)) * np.array([0.2, 0.3]))


def _site(rng, kind, cls, gal, gal_factor, parts, hours, weekend, season, day_cv, leak, **more):
    flow, start = _leak(rng, *leak)
    return Site(
        kind,
        cls,
        _ln(rng, gal, gal_factor),
        _mix(rng, parts, tilts_of(rng.fleet_seed, kind)),
        tuple(np.array(hours, float) * np.exp(0.2 * rng.standard_normal(24))),
        weekend * rng.uniform(0.7, 1.3),
        season,
        day_cv * rng.uniform(0.5, 1.5),
        leak_gpm=flow,
        leak_from_day=start,
        leak_law=leak,
        **more,
    )


def office(rng):
    tank = rng.random() < 0.4
    parts = [(0.2, 1.1, 1.6, 0.3, 1.6), (0.1, 1.8, 1.5, 0.6, 2)]
    parts += [(0.6, 3.2, 1.3, 0.65, 1.4)] if tank else [(0.6, 24, 1.5, 0.09, 1.4)]
    if rng.random() < 0.4:
        parts.append((0.5, 14, 2, 6, 2.5, True))
    return _site(
        rng, "office", "office", 1800, 4, parts, OFFICE_HOURS, 0.2, 0.15, 0.1, (0.3, 0.5, 5)
    )


def restaurant(rng):
    parts = [(0.15, 1.6, 1.6, 0.4, 2), (0.2, 3.4, 1.3, 0.7, 1.5), (0.35, 4.5, 1.7, 1.5, 2),
             (0.3, 5.0, 1.8, 0.9, 1.8)]  # fmt: skip
    return _site(
        rng,
        "restaurant",
        "restaurant",
        3000,
        2.5,
        parts,
        MEAL_HOURS,
        1.2,
        0.05,
        0.12,
        (0.3, 0.3, 5),
    )


def hotel(rng):
    parts = [(0.45, 2.1, 1.3, 7, 1.4), (0.15, 1.4, 1.5, 0.5, 1.6), (0.25, 3.3, 1.3, 0.7, 1.4)]
    if rng.random() < 0.6:
        parts.append((0.2, 22, 1.8, 2.2, 1.6))
    return _site(
        rng, "hotel", "hotel", 9000, 3, parts, HOME_HOURS, 1.1, 0.2, 0.15, (0.45, 0.7, 5)
    )


def apartments(rng):
    parts = [(0.35, 2.0, 1.3, 7.5, 1.4), (0.12, 1.4, 1.4, 0.5, 1.6), (0.28, 3.1, 1.3, 0.8, 1.4),
             (0.13, 1.9, 1.5, 0.8, 2), (0.16, 3.6, 1.4, 2.5, 1.6)]  # fmt: skip
    return _site(
        rng,
        "apartments",
        "apartments",
        4500,
        3.5,
        parts,
        HOME_HOURS,
        1.1,
        0.05,
        0.06,
        (0.6, 0.6, 5),
    )


def school(rng):
    parts = [(0.25, 1.2, 1.5, 0.3, 1.5), (0.6, 25, 1.4, 0.1, 1.4), (0.2, 4, 1.8, 1.5, 2)]
    return _site(
        rng,
        "school",
        "school",
        3500,
        2.5,
        parts,
        SCHOOL_HOURS,
        0.08,
        0.1,
        0.12,
        (0.4, 0.5, 5),
        bell_share=rng.uniform(0, 0.5),
        closed_days=((165, 235), (355, 365)),
    )


def hospital(rng):
    parts = [(0.2, 1.5, 1.5, 0.5, 1.6), (0.25, 22, 1.4, 0.1, 1.4), (0.2, 2.2, 1.3, 6, 1.5),
             (0.2, 5, 1.7, 2, 2), (0.25, 18, 2, 4, 2)]  # fmt: skip
    return _site(
        rng,
        "hospital",
        "hospital",
        24000,
        2.5,
        parts,
        ROUND_HOURS,
        0.85,
        0.2,
        0.05,
        (0.7, 1.8, 5),
    )


def laundry(rng):
    """Self-service with single-load washers and some multi-load ones, or a linen plant.

    EPA, WaterSense at Work (2012), 3.4: laundromats have washers of homes' style, industrial
    laundries have washer extractors. How many there are of each is not told: half and half.
    """
    if rng.random() < 0.5:
        parts = [(0.6, 4.5, 1.5, 2.5, 1.7), (0.3, 9, 1.6, 1.6, 1.7), (0.1, 2.5, 1.5, 0.6, 1.5)]
    else:
        parts = [(0.9, 20, 1.9, 1.8, 1.7), (0.1, 2.5, 1.5, 0.6, 1.5)]
    return _site(
        rng, "laundry", "laundry", 6000, 2.5, parts, MEAL_HOURS, 1.3, 0.05, 0.15, (0.3, 0.3, 5)
    )


def process(rng):
    parts = [(0.7, _ln(rng, 22, 2), 1.5, _ln(rng, 60, 3), 1.5, True), (0.2, 14, 2, 5, 2),
             (0.1, 3, 1.5, 0.7, 1.6)]  # fmt: skip
    return _site(
        rng, "process", "process", 9000, 2.5, parts, SHIFT_HOURS, 0.3, 0.05, 0.2, (0.5, 1.2, 5)
    )


def light_industry(rng):
    parts = [(0.4, 18, 2, 6, 2.5, True), (0.25, 3.2, 1.4, 0.7, 1.5), (0.2, 8, 1.7, 5, 2),
             (0.15, 20, 1.5, 0.1, 1.4)]  # fmt: skip
    return _site(
        rng,
        "light_industry",
        "light_industry",
        4500,
        3,
        parts,
        SHIFT_HOURS,
        0.3,
        0.05,
        0.15,
        (0.4, 0.6, 5),
    )


def retail(rng):
    parts = [(0.3, 1.3, 1.6, 0.4, 1.7), (0.5, 3.2, 1.4, 0.7, 1.5), (0.2, 6, 1.8, 3, 2.5)]
    return _site(
        rng, "retail", "retail", 900, 3.5, parts, OFFICE_HOURS, 1.1, 0.05, 0.12, (0.3, 0.3, 6)
    )


def irrigation(rng):
    count = int(rng.integers(2, 9))
    base = _ln(rng, 28, 2)
    zones = Zones(
        tuple(base * np.exp(0.25 * rng.standard_normal(count))),
        tuple(np.full(count, _ln(rng, 25 if rng.random() < 0.6 else 90, 1.8))),
        rng.uniform(20, 28) % 24,
        tuple(sorted(rng.choice(7, int(rng.integers(2, 6)), replace=False))),
        int(rng.integers(90, 130)),
        int(rng.integers(260, 300)),
        rng.uniform(0, 0.2),
        rng.choice([0, 1, 20]),
    )
    law = (0.25, 0.5, 5)
    flow, start = _leak(rng, *law)
    return Site(
        "irrigation",
        "irrigation",
        1.0,
        (Draw(1.0, 3, 0.3, 1, 0.5),),
        tuple(OFFICE_HOURS),
        1.0,
        0.0,
        0.1,
        zones=zones,
        leak_gpm=flow,
        leak_from_day=start,
        leak_law=law,
    )


def cooled_office(rng):
    """Two kinds of draw and lawn on one meter."""
    parts = [(0.1, 1.2, 1.6, 0.35, 1.6), (0.35, 23, 1.5, 0.1, 1.4), (0.55, 16, 1.8, 7, 2, True)]
    count = int(rng.integers(2, 6))
    zones = Zones(
        tuple(_ln(rng, 18, 1.8) * np.exp(0.2 * rng.standard_normal(count))),
        tuple(np.full(count, 20.0)),
        rng.uniform(1, 5),
        (0, 2, 4),
        110,
        280,
        0.1,
        1.0,
    )
    return _site(
        rng,
        "cooled_office",
        "mixed" if rng.random() < 0.5 else "office",
        4500,
        2,
        parts,
        OFFICE_HOURS,
        0.25,
        0.3,
        0.1,
        (0.4, 0.8, 5),
        zones=zones,
    )


KINDS = (
    office,
    restaurant,
    hotel,
    apartments,
    school,
    hospital,
    laundry,
    process,
    light_industry,
    retail,
    irrigation,
    cooled_office,
)
