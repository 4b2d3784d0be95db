"""A fleet of services whose flow was recorded: flats, homes, and buildings made of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.fleets import recordings
from tests.fleets.fleet import INTERVALS, NOTHING_WRONG, fleet_of
from tests.fleets.sites import Z90

LEAK_SHARE = 0.25  # buildings with a leak: dwellings stay as they were recorded
LEAK_SD = 0.8  # [log] of a leak's size
DWELLINGS = ("flat", "home")
KINDS = ("flat", "home", "small_building", "building", "large_building")


@dataclass(frozen=True)
class Service:
    """A service of the fleet."""

    kind: str
    flats: int
    homes: int
    leak_gpm: float
    customer_class: str = "apartments"

    @property
    def leak_law(self):
        """Share, median [gpm] and the factor within which nine of ten lie; None: no leak."""
        if self.kind in DWELLINGS:
            return None
        return (
            LEAK_SHARE,
            leak_median_gpm(self.flats + self.homes),
            float(np.exp(Z90 * LEAK_SD)),
        )


def leak_median_gpm(dwellings):
    """Size of the middle leak of a building."""
    return 0.05 * dwellings**0.5


def service(kind, rng):
    """How many dwellings stand behind a meter, and whether it leaks."""
    if kind in DWELLINGS:
        flats, homes = int(kind == "flat"), int(kind == "home")
    else:
        low, high = {
            "small_building": (3, 12),
            "building": (12, 50),
            "large_building": (50, 160),
        }[kind]
        count = int(np.exp(rng.uniform(np.log(low), np.log(high))))
        homes = int(rng.binomial(count, rng.choice([0.0, 0.3, 0.7, 1.0])))
        flats = count - homes
    size = leak_median_gpm(max(flats + homes, 1))
    leaks = flats + homes > 1 and rng.random() < LEAK_SHARE
    leak = float(size * np.exp(LEAK_SD * rng.standard_normal())) if leaks else 0.0
    return Service(kind, flats, homes, leak)


def recorded_fleet(
    half, seed, *, meters, per_kind=12, intervals=INTERVALS, wrongs=NOTHING_WRONG, keep=None
):
    """Truth and ProfileBlocks of `per_kind` services of each kind, from one half."""

    def flows():
        for k, kind in enumerate(KINDS):
            for i in range(per_kind):
                own = np.random.default_rng([seed, k, i])
                found = service(kind, own)
                flow = recordings.service_year(half, own, flats=found.flats, homes=found.homes)
                yield found, flow + np.float32(found.leak_gpm)

    return fleet_of(
        flows(), seed, np.random.default_rng([seed, 5]), meters=meters, intervals=intervals,
        wrongs=wrongs, keep=keep,
    )  # fmt: skip
