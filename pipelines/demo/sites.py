"""Uses at each kind of customer. Fixture flows and times are common practice.

Each function draws the size of one site, then lists its draws. The numbers are the demo's own
and are not read from the priors that the inference uses: the demo must be able to disagree.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np

from pipelines.demo.draws import Base, Draw, Sets, Site

Rng = np.random.Generator


def _size(rng: Rng, typical: float, spread: float, low: float, high: float) -> int:
    return int(np.clip(typical * np.exp(spread * rng.standard_normal()), low, high))


def _toilets(rng: Rng, per_day: float, hours: str, week: str, *, valves: bool) -> Draw:
    if valves:
        gpm, gal = rng.uniform(19, 29), rng.uniform(1.3, 1.9)
        return Draw(per_day, gpm, 60 * gal / gpm, hours, week, gpm_cv=0.1, seconds_cv=0.2)
    gpm, gal = rng.uniform(2.4, 4.2), rng.uniform(1.3, 2.2)
    return Draw(per_day, gpm, 60 * gal / gpm, hours, week, seconds_cv=0.2)


def _cooling(rng: Rng, gpm: float, per_day: float, week: str = "every_day") -> Draw:
    return Draw(per_day, gpm, rng.uniform(90, 260), "round", week, "cooling", 0.05, 0.3)


def _running_toilets(rng: Rng, fixtures: float) -> Draw:
    """Flappers that do not seat, each for hours until someone notices: common practice."""
    return Draw(0.016 * fixtures, rng.uniform(0.15, 0.7), 14_000, gpm_cv=0.4, seconds_cv=0.8)


def _with_seep(rng: Rng, site: Site, share_of_sites: float = 0.35) -> Site:
    """The site, at some with a trickle that never stops: drips, ice makers, bleeds."""
    if rng.random() > share_of_sites:
        return site
    day_gal = sum(d.per_day * d.pulses * d.gpm * d.seconds / 60 for d in site.draws)
    share = float(np.clip(0.012 * np.exp(0.9 * rng.standard_normal()), 0.001, 0.08))
    return replace(site, bases=(*site.bases, Base(share * day_gal / 1440)))


def office(rng: Rng) -> Site:
    """An office building."""
    people = _size(rng, 110, 0.9, 8, 1400)
    draws = [
        _toilets(
            rng,
            2.0 * people,
            "office",
            "workdays",
            valves=rng.random() < (0.8 if people > 45 else 0.35),
        ),
        Draw(2.6 * people, rng.uniform(0.5, 1.4), 13, "office", "workdays"),
        Draw(0.3 * people, 1.9, 24, "office", "workdays"),
        Draw(2.0, 4.5, 150, "evening", "workdays"),
        _running_toilets(rng, people / 9),
    ]
    if people > 160:
        draws.append(_cooling(rng, rng.uniform(10, 24), 30, "workdays"))
    return _with_seep(rng, Site(tuple(draws), what=f"office of {people} people"))


def school(rng: Rng) -> Site:
    """A school: full in term, near empty out of it."""
    pupils = _size(rng, 520, 0.55, 90, 2200)
    draws = (
        _toilets(rng, 1.3 * pupils, "school", "workdays", valves=rng.random() < 0.8),
        Draw(1.3 * pupils, rng.uniform(0.6, 1.5), 11, "school", "workdays"),
        Draw(0.10 * pupils, 2.6, 55, "school", "workdays"),
        Draw(0.03 * pupils, 2.1, 220, "school", "workdays"),
    )
    in_term = tuple(replace(draw, term_only=True) for draw in draws)
    trickle = (_running_toilets(rng, pupils / 22),)
    return _with_seep(rng, Site(in_term + trickle, what=f"school of {pupils} pupils"))


def apartments(rng: Rng) -> Site:
    """An apartment building behind one meter."""
    units = _size(rng, 46, 0.85, 6, 260)
    draws = (
        _toilets(rng, 8.0 * units, "home", "homes", valves=False),
        Draw(1.7 * units, rng.uniform(1.6, 2.4), 470, "home", "homes", gpm_cv=0.2),
        Draw(11.0 * units, 1.1, 26, "home", "homes", gpm_cv=0.35, seconds_cv=0.9),
        Draw(0.4 * units, 3.1, 140, "home", "homes", pulses=3, gap_s=900),
        Draw(0.3 * units, 1.4, 90, "home", "homes", pulses=3, gap_s=700),
        _running_toilets(rng, 1.3 * units),
    )
    return _with_seep(rng, Site(draws, what=f"{units} apartments"))


def restaurant(rng: Rng) -> Site:
    """A restaurant kitchen, its guests and its night cleaning."""
    covers = _size(rng, 130, 0.5, 35, 480)
    draws = (
        Draw(0.8 * covers, rng.uniform(2.0, 3.4), 38, "meals", "leisure", seconds_cv=0.8),
        Draw(0.9 * covers, rng.uniform(3.5, 6.0), 14, "meals", "leisure", seconds_cv=0.1),
        Draw(0.7 * covers, 1.2, 28, "meals", "leisure", seconds_cv=0.8),
        _toilets(rng, 0.55 * covers, "meals", "leisure", valves=rng.random() < 0.3),
        Draw(38, 1.0, 75, "round", seconds_cv=0.1),
        Draw(1.5, 6.0, 540, "night", "leisure"),
        _running_toilets(rng, 4),
    )
    return _with_seep(rng, Site(draws, what=f"restaurant of {covers} covers a day"))


def laundry(rng: Rng) -> Site:
    """A laundry with large washers, or one with coin machines."""
    if rng.random() < 0.45:
        loads = _size(rng, 70, 0.5, 25, 220)
        fill = Draw(
            loads,
            rng.uniform(24, 48),
            75,
            "two_shifts",
            "six_days",
            gpm_cv=0.08,
            seconds_cv=0.2,
            pulses=4,
            gap_s=560,
        )
        return Site(
            (fill, Draw(40, 1.8, 30, "two_shifts", "six_days")),
            what=f"linen plant, {loads} loads",
        )
    loads = _size(rng, 85, 0.4, 30, 240)
    fill = Draw(
        loads, rng.uniform(4.5, 9), 95, "hotel", "homes", seconds_cv=0.2, pulses=3, gap_s=480
    )
    return Site(
        (fill, _toilets(rng, 25, "shop", "homes", valves=False)),
        what=f"coin laundry, {loads} loads",
    )


def hotel(rng: Rng) -> Site:
    """A hotel: rooms, kitchen, linen."""
    rooms = _size(rng, 75, 0.6, 18, 260)
    draws = (
        _toilets(rng, 5.5 * rooms, "hotel", "leisure", valves=rng.random() < 0.2),
        Draw(1.5 * rooms, rng.uniform(1.8, 2.5), 460, "hotel", "leisure", "guests", 0.15),
        Draw(7.0 * rooms, 1.2, 22, "hotel", "leisure", "guests", 0.3, 0.8),
        Draw(0.5 * rooms, 2.8, 60, "meals", "leisure", "guests"),
        Draw(0.15 * rooms, rng.uniform(12, 22), 80, "shift", pulses=4, gap_s=600),
        _running_toilets(rng, rooms),
    )
    pool = (Base(float(rng.uniform(0.1, 0.4))),) if rooms > 90 else ()
    return Site(draws, bases=pool, what=f"hotel of {rooms} rooms")


def retail(rng: Rng) -> Site:
    """A shop, or a small shopping center."""
    guests = _size(rng, 70, 0.9, 10, 900)
    draws = (
        _toilets(
            rng,
            0.7 * guests,
            "shop",
            "leisure",
            valves=rng.random() < (0.9 if guests > 300 else 0.35),
        ),
        Draw(0.9 * guests, 0.9, 12, "shop", "leisure"),
        Draw(2.0, 4.0, 120, "evening"),
        _running_toilets(rng, 2 + guests / 60),
    )
    return _with_seep(rng, Site(draws, what=f"shop, {guests} visits a day"))


def light_industry(rng: Rng) -> Site:
    """A workshop: rinse tanks, wash-down, staff."""
    staff = _size(rng, 40, 0.6, 8, 220)
    draws = (
        _toilets(rng, 1.9 * staff, "shift", "workdays", valves=rng.random() < 0.45),
        Draw(2.2 * staff, 1.0, 15, "shift", "workdays"),
        Draw(
            _size(rng, 26, 0.5, 8, 70),
            rng.uniform(6, 20),
            260,
            "shift",
            "workdays",
            seconds_cv=0.6,
        ),
        Draw(2.0, rng.uniform(8, 14), 900, "shift", "workdays"),
        _running_toilets(rng, staff / 9),
    )
    return _with_seep(rng, Site(draws, what=f"workshop of {staff} people"))


def process(rng: Rng) -> Site:
    """A plant with long runs and steady cooling."""
    run_gpm = float(np.clip(44 * np.exp(0.55 * rng.standard_normal()), 15, 150))
    draws = (
        Draw(
            rng.uniform(2, 5), run_gpm, rng.uniform(2200, 8000), "two_shifts", "six_days",
            gpm_cv=0.05, seconds_cv=0.35,
        ),
        Draw(60, 1.4, 25, "two_shifts", "six_days"),
        Draw(6, 0.3 * run_gpm, 420, "two_shifts", "six_days"),
    )  # fmt: skip
    return Site(
        draws,
        bases=(Base(rng.uniform(0.02, 0.12) * run_gpm),),
        what=f"plant, runs of {run_gpm:.0f} gpm",
    )


def irrigation(rng: Rng) -> Site:
    """Grounds: timed sets in season."""
    zones = _size(rng, 9, 0.5, 3, 28)
    gpm = float(np.clip(34 * np.exp(0.6 * rng.standard_normal()), 8, 190))
    zone_gpm = tuple(float(g) for g in gpm * rng.uniform(0.75, 1.2, zones))
    days = ((0, 2, 4), (1, 3, 5), (0, 1, 2, 3, 4, 5, 6))[int(rng.integers(3))]
    sets = Sets(zone_gpm, int(rng.uniform(500, 1500)), int(rng.integers(1, 6)), days)
    return Site(sets=(sets,), what=f"grounds, {zones} zones near {gpm:.0f} gpm")


def hospital(rng: Rng) -> Site:
    """A hospital: wards, kitchen, cooling, steady plant."""
    beds = _size(rng, 190, 0.4, 80, 400)
    draws = (
        _toilets(rng, 6.0 * beds, "ward", "every_day", valves=True),
        Draw(8.0 * beds, 1.3, 18, "ward", seconds_cv=0.8),
        Draw(0.8 * beds, 2.2, 380, "ward"),
        Draw(1.2 * beds, 3.0, 45, "meals"),
        _cooling(rng, rng.uniform(20, 42), 90),
    )
    return Site(draws, bases=(Base(0.02 * beds),), what=f"hospital of {beds} beds")


def public(rng: Rng) -> Site:
    """A library, hall or park house."""
    visits = _size(rng, 160, 0.8, 25, 1200)
    draws = (
        _toilets(rng, 0.5 * visits, "shop", "leisure", valves=rng.random() < 0.6),
        Draw(0.6 * visits, 1.0, 12, "shop", "leisure"),
        Draw(2.0, 5.0, 240, "morning_once"),
        _running_toilets(rng, 3 + visits / 80),
    )
    return _with_seep(rng, Site(draws, what=f"public house, {visits} visits a day"))


def warehouse(rng: Rng) -> Site:
    """A warehouse: few people, dock washing."""
    staff = _size(rng, 22, 0.6, 5, 120)
    draws = (
        _toilets(rng, 2.0 * staff, "two_shifts", "six_days", valves=rng.random() < 0.35),
        Draw(2.2 * staff, 1.0, 13, "two_shifts", "six_days"),
        Draw(0.6, 7.0, 600, "shift", "six_days"),
        _running_toilets(rng, staff / 8),
    )
    return _with_seep(rng, Site(draws, what=f"warehouse of {staff} people"))


def mixed(rng: Rng) -> Site:
    """Shops below, apartments above."""
    return retail(rng).joined(apartments(rng))


def fire(rng: Rng) -> Site:
    """A fire line: a drain test a quarter and what the jockey pump takes."""
    test = Draw(1 / 30, rng.uniform(60, 220), 200, "morning_once", "workdays", "quarterly")
    return Site((test, Draw(3, 0.5, 40)), what="fire line")


SITES: Final[dict[str, Callable[[Rng], Site]]] = {
    "office": office,
    "school": school,
    "apartments": apartments,
    "restaurant": restaurant,
    "laundry": laundry,
    "hotel": hotel,
    "retail": retail,
    "light_industry": light_industry,
    "process": process,
    "irrigation": irrigation,
    "hospital": hospital,
    "public": public,
    "warehouse": warehouse,
    "mixed": mixed,
}
