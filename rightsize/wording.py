"""How sentences name sizes, flows and volumes: in the units of the utility.

Reasons, findings and messages are written once, by `Wording`, in the units that the utility's
tables have; nothing converts a sentence afterwards.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import polars as pl

from rightsize.meters.catalogue import Meter, label_of
from rightsize.units import GAL_PER_M3, GPM_PER_M3H, UnitSystem

MOST_CERTAIN: Final = 0.99
"""No probability is said above this, or below one less it: an account has few joint draws,
and what every one of them shows is still not certain (our convention)."""
_WITH_AN: Final = ("8", "11", "18")


@dataclass(frozen=True)
class UnitNames:
    """Names and factors of the units that a text or a page speaks."""

    system: UnitSystem = "us"

    @property
    def is_metric(self) -> bool:
        """Cubic metres, millimetres and bar in place of gallons, inches and psi."""
        return self.system == "metric"

    @property
    def flow_unit(self) -> str:
        """Unit of flow."""
        return "m³/h" if self.is_metric else "gpm"

    @property
    def volume_unit(self) -> str:
        """Unit of volume."""
        return "m³" if self.is_metric else "gal"

    @property
    def flow_per_gpm(self) -> float:
        """What a flow in gpm is multiplied by."""
        return 1 / GPM_PER_M3H if self.is_metric else 1.0

    @property
    def volume_per_gal(self) -> float:
        """What a volume in gallons is multiplied by."""
        return 1 / GAL_PER_M3 if self.is_metric else 1.0


@dataclass(frozen=True)
class Wording(UnitNames):
    """Sizes, flows and volumes as sentences say them."""

    def flow_figure(self, gpm: pl.Expr) -> pl.Expr:
        """A flow without its unit."""
        return figure(gpm * self.flow_per_gpm)

    def flow(self, gpm: pl.Expr) -> pl.Expr:
        """A flow with its unit."""
        return pl.format(f"{{}} {self.flow_unit}", self.flow_figure(gpm))

    def volume(self, gal: pl.Expr) -> pl.Expr:
        """A volume with its unit."""
        return pl.format(f"{{}} {self.volume_unit}", figure(gal * self.volume_per_gal))

    def label(self, meter: Meter) -> str:
        """Size, type and grade: `2 in compound`, `50 mm compound`."""
        return label_of(meter.meter_type, meter.size_in, meter.grade, units=self.system)

    def named(self, meter: Meter) -> str:
        """The same with its article: `a 2 in compound`, `an 80 mm compound`."""
        label = self.label(meter)
        size = label.split()[0].split(".")[0]
        return f"{'an' if size.startswith('8') or size in _WITH_AN else 'a'} {label}"


def figure(value: pl.Expr) -> pl.Expr:
    """A figure as text: whole from 100 on, else three significant digits, no trailing `.0`."""
    small = value.round_sig_figs(3).cast(pl.String).str.strip_suffix(".0")
    whole = value.round(0).cast(pl.Int64, strict=False).cast(pl.String)
    return pl.when(value.abs() >= 100).then(whole).otherwise(small)


def probability(share: pl.Expr) -> pl.Expr:
    """A probability as it is said everywhere: two decimals, never certain."""
    return share.clip(1 - MOST_CERTAIN, MOST_CERTAIN).round(2)


def probability_figure(share: float) -> float:
    """`probability` of one number."""
    return float(pl.select(probability(pl.lit(share, dtype=pl.Float64))).item())
