"""Meters in the ground that are not the catalogue's: worn, better, or of another make.

Written from the bench's side, not from the tool's own spreads: what a meter counts at a flow
is what its catalogue curve counts at another flow (it starts later or earlier, and climbs so),
give or take an error that is the same at all flows.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

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


def in_the_ground(meter, rng):
    """One meter that has served: four of ten worn, two better, the rest another make."""
    kind = rng.random()
    moving = meter.meter_type in MOVING
    if kind < 0.4 and moving:
        return altered(
            meter, stretch=float(np.exp(abs(0.6 * rng.standard_normal()))),
            error=-0.012 * abs(float(rng.standard_normal())),
        )  # fmt: skip
    if kind < 0.6:
        return altered(meter, stretch=float(rng.uniform(0.6, 1.0)), error=0.003)
    return altered(
        meter, stretch=float(np.exp(0.25 * rng.standard_normal())),
        error=0.005 * float(rng.standard_normal()),
    )  # fmt: skip
