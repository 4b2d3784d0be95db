"""Meters in the ground that are not the catalogue's: worn, better, or of another make.

Written from the bench's side, not from the tool's own spreads: what a meter counts at a flow
is what its catalogue curve counts at another flow (it starts later or earlier, and climbs so),
give or take an error that is the same at all flows.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

WORN_SHARE = 0.4  # of meters with moving parts, of all ages
OLDEST_YEARS = 30.0
YOUNG_YEARS = 5.0  # meters of a fleet whose curves are the catalogue's are not older
MOVING = ("displacement", "multi_jet", "single_jet", "turbine", "compound", "propeller")


def altered(meter, *, stretch, error):
    """The meter when everything happens at `stretch` times the flow, and `error` is added."""
    highest = meter.registration[-1][0]
    points = [(q * stretch, max(a + error, 0.0)) for q, a in meter.registration[:-1]]
    points = [p for p in points if p[0] < highest] + [
        (highest, meter.registration[-1][1] + error)
    ]
    start = min(meter.starting_gpm * stretch, 0.9 * highest)
    return replace(meter, starting_gpm=start, registration=tuple(points), compound=None)


def other_makes(meters, rng):
    """What a utility buys under each entry of the catalogue: one make a type and size."""
    return tuple(
        altered(
            m, stretch=float(np.exp(0.2 * rng.standard_normal())),
            error=0.004 * float(rng.standard_normal()),
        )
        for m in meters
    )  # fmt: skip


def age_of(rng):
    """Age of a meter in the ground: of worn ones more are old, of the others more are young."""
    rises = rng.random() < WORN_SHARE
    part = float(np.sqrt(rng.random()))  # its density rises from 0 at one end
    return OLDEST_YEARS * (part if rises else 1 - part)


def worn_share(age_years):
    """Of meters of an age with moving parts, by Bayes from the two densities of `age_of`."""
    worn = WORN_SHARE * age_years
    return worn / (worn + (1 - WORN_SHARE) * (OLDEST_YEARS - age_years))


def in_the_ground(meter, rng, age_years):
    """One meter that has served: four of ten worn, two better, the rest of another make.

    So over all ages. How far a worn meter is worn does not hang on its age here: what is
    published of rates differs by an order of magnitude.
    """
    kind, worn = rng.random(), worn_share(age_years)
    moving = meter.meter_type in MOVING
    if kind < worn and moving:
        return altered(
            meter, stretch=float(np.exp(abs(0.6 * rng.standard_normal()))),
            error=-0.012 * abs(float(rng.standard_normal())),
        )  # fmt: skip
    if kind < worn + (1 - worn) / 3:
        return altered(meter, stretch=float(rng.uniform(0.6, 1.0)), error=0.003)
    return altered(
        meter, stretch=float(np.exp(0.25 * rng.standard_normal())),
        error=0.005 * float(rng.standard_normal()),
    )  # fmt: skip
