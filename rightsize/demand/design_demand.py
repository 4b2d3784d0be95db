"""Peak demand of an account without reads, from its fixtures: a design aid.

Code curves are known to lie far above what modern fixtures draw: where reads exist they bound
the plausible from above and never size a meter.

References
----------
AWWA M22, 3rd ed.: fixture values. IPC 2018 App. E and NSPC App. B: supply fixture units.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rightsize.demand.fixture_tables import (
    IPC_FIXTURE_UNITS,
    M22_FIXTURE_VALUE,
    M22_IRRIGATION_GPM_PER_SECTION,
    M22_UNIT_PRESSURE_PSI,
    SUPPLY_CURVES,
    Curve,
)
from rightsize.errors import ConfigError

Array = NDArray[np.float64]
Code = Literal["ipc", "nspc"]
Supply = Literal["tank", "valve"]

"""Share of the peak period in which demand stays at or below the design flow (Hunter)."""
"""Step of flow on which fixtures are added up; fixture flows are multiples of it."""


def m22_fixture_value(counts: Mapping[str, int]) -> float:
    """Sum of M22 fixture values.

    Raises
    ------
    ConfigError
        If a fixture is not in the table or a count is negative.
    """
    return _weighted_sum(counts, M22_FIXTURE_VALUE, "M22 fixture")


def ipc_fixture_units(counts: Mapping[str, int]) -> float:
    """Sum of water supply fixture units by IPC 2018, Table E103.3(2)."""
    return _weighted_sum(counts, IPC_FIXTURE_UNITS, "IPC fixture")


def _weighted_sum(counts: Mapping[str, int], table: Mapping[str, float], what: str) -> float:
    for name, count in counts.items():
        if name not in table:
            raise ConfigError(f"unknown {what} {name!r}; allowed: {', '.join(table)}")
        if count < 0:
            raise ConfigError(f"{what} {name}: count must be 0 or more, got {count}")
    return float(sum(table[name] * count for name, count in counts.items()))


def m22_irrigation_gpm(section_count: float, kind: str) -> float:
    """Flow of sections of 100 ft2 watered at once, by `spray` or `rotary` heads [gpm]."""
    if kind not in M22_IRRIGATION_GPM_PER_SECTION:
        allowed = ", ".join(M22_IRRIGATION_GPM_PER_SECTION)
        raise ConfigError(f"unknown irrigation {kind!r}; allowed: {allowed}")
    return section_count * M22_IRRIGATION_GPM_PER_SECTION[kind]


def m22_demand_gpm(
    fixture_value: float,
    *,
    curve: Curve,
    pressure_psi: float = 60.0,
    pressure_factor: float | None = None,
    irrigation_gpm: float = 0.0,
) -> float:
    """M22 demand: the curve at the fixture value, times the pressure factor, plus irrigation.

    Parameters
    ----------
    fixture_value : float
        From `m22_fixture_value`.
    curve : points (fixture value, gpm)
        Read off the manual's figure for the customer's kind: the figures are not shipped.
    pressure_psi, pressure_factor : float
        Residual pressure; its factor is 1 from 60 to 80 psi and must be given otherwise.

    Raises
    ------
    ConfigError
        If the value is off the curve, or the pressure needs a factor that is not given.
    """
    low, high = M22_UNIT_PRESSURE_PSI
    if pressure_factor is None and not low <= pressure_psi <= high:
        raise ConfigError(
            f"the M22 pressure factor at {pressure_psi:g} psi is not included: give it from "
            f"the manual's Table 4-3 (not needed from {low:g} to {high:g} psi)"
        )
    flow_gpm = _on_curve(fixture_value, curve, "M22 fixture value")
    return flow_gpm * (pressure_factor or 1.0) + irrigation_gpm


def supply_demand_gpm(fixture_units: float, *, code: Code = "ipc", supply: Supply) -> float:
    """Design flow of supply fixture units by a plumbing code's table [gpm].

    Linear between the table's rows, as the codes allow.

    Raises
    ------
    ConfigError
        If the fixture units are off the table.
    """
    curve = SUPPLY_CURVES[(code, supply)]
    return _on_curve(fixture_units, curve, f"{code.upper()} fixture units ({supply})")


def _on_curve(value: float, curve: Curve, what: str) -> float:
    points = np.asarray(curve, dtype=np.float64)
    low, high = points[0, 0], points[-1, 0]
    if not low <= value <= high:
        raise ConfigError(f"{what} of {value:g} is outside the table, {low:,g} to {high:,g}")
    return float(np.interp(value, points[:, 0], points[:, 1]))
