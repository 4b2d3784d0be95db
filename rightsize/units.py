"""Volume and flow units: converted once, at the border, through these constants.

Inside the tool volumes are US gallons (`_gal`), flows gallons per minute (`_gpm`), sizes
inches (`_in`), pressures pounds per square inch (`_psi`).

References
----------
NIST Handbook 44, Appendix C: 1 US gallon = 231 cubic inches = 3.785 411 784 L (definition;
value from memory, high trust).
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
        raise ConfigError(f"volume unit {unit!r} is not known; allowed: {allowed}") from None
