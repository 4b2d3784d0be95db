"""What a site adds to the cost of a meter, as far as it is known.

A cost is known or possible. A possible one depends on what is not recorded: its odds share of
the samples bears it, so the expected cost holds its expected part and the range of net benefit
holds both cases.

Notes
-----
A meter larger than its service line needs a new tap and line: the line would throttle it. A
line of unknown size may be no larger than the meter in service (common practice: no meter is
larger than its line), so a larger meter may need a new one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rightsize.contracts.site_record import SiteRecord
from rightsize.meters.arrays import meter_arrays
from rightsize.meters.catalogue import Meter
from rightsize.meters.laying import laying
from rightsize.recommend.economics import ChangeCosts
from rightsize.recommend.site_work import site_work
from rightsize.settings import Thresholds

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

EQUIVALENT_GPM: Final = 20.0
"""[gpm] SMOC of a 5/8 in displacement meter, AWWA C700: one equivalent meter of AWWA M1."""
_SAME_SIZE_IN: Final = 1e-6  # [in] of nominal sizes written as fractions
_GOLDEN: Final = 0.6180339887498949  # spreads the samples that bear an item evenly


@dataclass(frozen=True)
class Possible:
    """A cost that what is not recorded may add."""

    usd: Array  # [A, M]
    odds: float


@dataclass(frozen=True)
class SiteCosts:
    """Costs of the site beside purchase and installation [A, M]; 0 for the installed meter."""

    known_usd: Array
    possible: tuple[Possible, ...]

    @property
    def possible_usd(self) -> Array:
        """All that what is not recorded may add [A, M]."""
        return np.asarray(sum((p.usd for p in self.possible), np.zeros_like(self.known_usd)))

    def rows(self, rows: slice) -> SiteCosts:
        """The costs of some accounts."""
        possible = tuple(Possible(p.usd[rows], p.odds) for p in self.possible)
        return SiteCosts(self.known_usd[rows], possible)

    def borne(self, samples: int) -> Array:
        """Which samples bear each possible cost, 1 or 0 [J, K]: its odds share of them."""
        order = (
            np.arange(1, samples + 1)[:, None] * _GOLDEN * np.arange(1, len(self.possible) + 1)
        )
        odds = np.array([p.odds for p in self.possible])
        place = (order % 1.0).argsort(axis=0).argsort(axis=0)
        return np.asarray(place < np.rint(odds * samples), dtype=np.float64)

    def expected_usd(self, samples: int) -> Array:
        """Known costs, and the share of the possible ones that the samples bear [A, M]."""
        share = self.borne(samples).mean(axis=0)
        parts = (p.usd * s for p, s in zip(self.possible, share, strict=True))
        return np.asarray(sum(parts, self.known_usd))

    def beyond_expected_usd(self, samples: int) -> Array | None:
        """Cost of each sample less the expected one [J, A, M]; None if all are certain."""
        if not any(np.any(p.usd) for p in self.possible):
            return None
        borne = self.borne(samples)
        stacked = np.stack([p.usd for p in self.possible])
        return np.tensordot(borne - borne.mean(axis=0), stacked, axes=1)


def site_costs(
    meters: Sequence[Meter],
    meter_index: NDArray[np.int64],
    service_line_in: Array,
    record: SiteRecord,
    limits: Thresholds,
) -> SiteCosts:
    """Costs of the site of each meter at each account.

    Parameters
    ----------
    meters : sequence of Meter
        The catalog's meters.
    meter_index, service_line_in : arrays [A]
        Installed meter, and nominal size of the service line; NaN if it is not recorded.
    record : SiteRecord
        What else is recorded of the sites.
    """
    held = meter_arrays(meters)
    size, smoc = held.size_in, held.smoc_gpm
    is_larger = size > size[meter_index][:, None] + _SAME_SIZE_IN
    line_usd = limits.tap_and_line_usd_per_in * np.broadcast_to(size, is_larger.shape)
    over_line = is_larger & (size > service_line_in[:, None] + _SAME_SIZE_IN)
    blank = is_larger & np.isnan(service_line_in)[:, None]
    more = np.maximum(smoc - smoc[meter_index][:, None], 0.0) / EQUIVALENT_GPM
    charge_usd = limits.capacity_charge_usd_per_equivalent * more * is_larger
    work_usd, may_usd = site_work(size, laying(meters), meter_index, record, limits)
    return SiteCosts(
        known_usd=charge_usd + np.where(over_line, line_usd, 0.0) + work_usd,
        possible=(
            Possible(np.where(blank, line_usd, 0.0), limits.unknown_line_odds),
            Possible(may_usd, limits.unknown_site_odds),
        ),
    )


def with_site_costs(costs: ChangeCosts, site: SiteCosts, samples: int) -> ChangeCosts:
    """The costs of a change with the expected costs of the site."""
    more = site.expected_usd(samples)
    return replace(
        costs,
        change_cost_usd=costs.change_cost_usd + more,
        annual_cost_usd_per_year=costs.annual_cost_usd_per_year
        + more / costs.present_value_factor,
    )
