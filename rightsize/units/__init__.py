"""Volume and flow units: converted once, on input and output, with these constants.

Inside the tool volumes are US gallons (`_gal`), flows gallons per minute (`_gpm`), sizes
inches (`_in`), pressures pounds per square inch (`_psi`).

References
----------
NIST Handbook 44, Appendix C: 1 US gallon = 231 cubic inches = 3.785 411 784 L (definition;
value from memory, high trust). 1 ft = 0.3048 m (definition; the same).
Nominal sizes: ISO 6708:1995 (DN) against nominal pipe sizes in inches as paired in ASME
B36.10M (from memory, high trust); meters of 5/8 and 1/2 in count as 15 and 13 mm (common
practice).
"""

from __future__ import annotations

from typing import Final, Literal, get_args

from rightsize.errors import ConfigError

VolumeUnit = Literal["gal", "kgal", "ft3", "ccf", "L", "m3"]
UnitSystem = Literal["us", "metric"]

L_PER_GAL: Final = 3.785411784
GAL_PER_FT3: Final = 1728 / 231
GAL_PER_M3: Final = 1000 / L_PER_GAL
GPM_PER_M3H: Final = GAL_PER_M3 / 60
PSI_PER_BAR: Final = 14.503773773  # 1 bar = 100 kPa, 1 lbf/in2 = 6894.757293 Pa
MM_PER_IN: Final = 25.4
FT2_PER_M2: Final = 1 / 0.3048**2
MM_OF_SIZE_IN: Final[dict[float, float]] = {
    0.5: 13, 0.625: 15, 0.75: 20, 1: 25, 1.25: 32, 1.5: 40, 2: 50, 2.5: 65, 3: 80, 4: 100,
    5: 125, 6: 150, 8: 200, 10: 250, 12: 300, 14: 350, 16: 400, 18: 450, 20: 500, 24: 600,
    30: 750, 36: 900,
}  # fmt: skip
"""Nominal sizes of meters and lines: inches, and the equivalent millimeters."""
SIZE_IN_OF_MM: Final[dict[float, float]] = {mm: inches for inches, mm in MM_OF_SIZE_IN.items()}
HOURS_PER_YEAR: Final = 8766.0  # mean year of 365.25 days
MINUTES_PER_YEAR: Final = HOURS_PER_YEAR * 60

GAL_PER_UNIT: Final[dict[str, float]] = {
    "gal": 1.0,
    "kgal": 1000.0,
    "ft3": GAL_PER_FT3,
    "ccf": 100 * GAL_PER_FT3,
    "L": 1 / L_PER_GAL,
    "m3": GAL_PER_M3,
}


def gal_per_unit(unit: str) -> float:
    """Gallons in one `unit` of volume.

    Raises
    ------
    ConfigError
        If the unit is not one of gal, kgal, ft3, ccf, L, m3.
    """
    try:
        return GAL_PER_UNIT[unit]
    except KeyError:
        allowed = ", ".join(get_args(VolumeUnit))
        raise ConfigError(f"unknown volume unit {unit!r}; allowed: {allowed}") from None
