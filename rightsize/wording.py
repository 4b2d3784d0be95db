"""How sentences name sizes, flows, volumes and money: in the units of the utility.

Reasons, findings and messages are written once, by `Wording`, in the units of the utility's
tables; sentences are never converted later.

Thousands are set apart as the reader's country writes them: `65,888` with US units, `65 888`
with metric ones. The space is the narrow one that the SI Brochure, 5.4.4, asks for (from
memory, high trust); the decimal marker is a point in both, since texts are in English.
Dollars are `$3,619`, a percentage is `97 %`, and no figure is in powers of ten.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import polars as pl

from rightsize.meters.catalogue import Meter, label_of
from rightsize.units import GAL_PER_M3, GPM_PER_M3H, UnitSystem
from rightsize.units.plain_number import figure, money, plain_number

MOST_CERTAIN: Final = 0.99
"""No probability is said above this, or below one less it: an account has few joint draws,
and what every one of them shows is still not certain (our convention)."""
_WITH_AN: Final = ("8", "11", "18")


@dataclass(frozen=True)
class UnitNames:
    """Names and factors of the units used in a text or page."""

    system: UnitSystem = "us"

    @property
    def is_metric(self) -> bool:
        """Cubic meters, millimeters and bar instead of gallons, inches and psi."""
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
    def parted(self) -> str:
        """Thousands separator: a comma, or the narrow no-break space of the SI."""
        return "\u202f" if self.is_metric else ","

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
    """Sizes, flows, volumes and money as sentences say them."""

    def figure(self, value: pl.Expr) -> pl.Expr:
        """A figure without a unit."""
        return figure(value, parted=self.parted)

    def money(self, usd: pl.Expr) -> pl.Expr:
        """Whole dollars: `$3,619`, `-$41`."""
        return money(usd, parted=self.parted)

    def money_text(self, usd: float) -> str:
        """Whole dollars in a sentence that is not made of columns."""
        return f"${usd:,.0f}".replace(",", self.parted)

    def flow_figure(self, gpm: pl.Expr) -> pl.Expr:
        """A flow without its unit."""
        return self.figure(gpm * self.flow_per_gpm)

    def flow_text(self, gpm: float) -> str:
        """`flow_figure` of one number."""
        return plain_number(gpm * self.flow_per_gpm, 3, parted=self.parted)

    def flow(self, gpm: pl.Expr) -> pl.Expr:
        """A flow with its unit."""
        return pl.format(f"{{}} {self.flow_unit}", self.flow_figure(gpm))

    def volume(self, gal: pl.Expr) -> pl.Expr:
        """A volume with its unit."""
        return pl.format(f"{{}} {self.volume_unit}", self.figure(gal * self.volume_per_gal))

    def label(self, meter: Meter) -> str:
        """Size, type and grade: `2 in compound`, `50 mm compound`."""
        return label_of(meter.meter_type, meter.size_in, meter.grade, units=self.system)

    def named(self, meter: Meter) -> str:
        """The same with its article: `a 2 in compound`, `an 80 mm compound`."""
        return with_article(self.label(meter))


def with_article(label: str) -> str:
    """A meter's label with `a` or `an`, as its size is spoken."""
    size = label.split()[0].split(".")[0]
    return f"{'an' if size.startswith('8') or size in _WITH_AN else 'a'} {label}"


def probability(share: pl.Expr) -> pl.Expr:
    """A probability as text: two decimals, never 0 or 1."""
    return share.clip(1 - MOST_CERTAIN, MOST_CERTAIN).round(2)


def probability_text(share: pl.Expr) -> pl.Expr:
    """A probability as sentences say it: `97 %`."""
    pct = (probability(share) * 100).round(0).cast(pl.Int64).cast(pl.String)
    return pl.format("{} %", pct)


def probability_figure(share: float) -> float:
    """`probability` of one number."""
    return float(pl.select(probability(pl.lit(share, dtype=pl.Float64))).item())
