"""How sentences name sizes, flows, volumes and money: in the units of the utility.

Reasons, findings and messages are written once, by `Wording`, in the units that the utility's
tables have; nothing converts a sentence afterwards.

Thousands are set apart as the reader's country writes them: `65,888` with US units, `65 888`
with metric ones. The space is the narrow one that the SI Brochure, 5.4.4, asks for (from
memory, high trust); the decimal marker is a point in both, since texts are in English.
Dollars are `$3,619`, a percentage is `97 %`, and no figure is in powers of ten.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import polars as pl

from rightsize.meters.catalogue import Meter, label_of
from rightsize.units import GAL_PER_M3, GPM_PER_M3H, UnitSystem

MOST_CERTAIN: Final = 0.99
"""No probability is said above this, or below one less it: an account has few joint draws,
and what every one of them shows is still not certain (our convention)."""
_MILLIONTH: Final = 1e-6
_THOUSANDTH: Final = 1e-3
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
        """What stands between thousands: a comma, or the narrow no-break space of the SI."""
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

    def flow_figure(self, gpm: pl.Expr) -> pl.Expr:
        """A flow without its unit."""
        return self.figure(gpm * self.flow_per_gpm)

    def flow_text(self, gpm: float) -> str:
        """`flow_figure` of one number."""
        return significant(gpm * self.flow_per_gpm, parted=self.parted)

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


def figure(value: pl.Expr, *, parted: str = ",") -> pl.Expr:
    """A figure as text: whole from 100 on, else three significant digits, no trailing `.0`.

    Thousands stand apart; less than a thousandth is rounded to millionths.
    """
    rounded = value.round_sig_figs(3)
    small = rounded.cast(pl.String).str.strip_suffix(".0")
    tiny = pl.concat_str(
        pl.when(value < 0).then(pl.lit("-0.")).otherwise(pl.lit("0.")),
        (rounded.abs() * 1e6)
        .round(0)
        .cast(pl.Int64, strict=False)
        .cast(pl.String)
        .str.zfill(6),
    ).str.strip_chars_end("0")
    return (
        pl.when(value.abs() >= 100)
        .then(_whole(value, parted))
        .when(value.abs() < _MILLIONTH / 2)
        .then(pl.lit("0"))
        .when(value.abs() < _THOUSANDTH)
        .then(tiny)
        .otherwise(small)
    )


def money(usd: pl.Expr, *, parted: str = ",") -> pl.Expr:
    """Whole dollars as text."""
    sign = pl.when(usd.round(0) < 0).then(pl.lit("-$")).otherwise(pl.lit("$"))
    return pl.concat_str(sign, _whole(usd.abs(), parted))


def _whole(value: pl.Expr, parted: str) -> pl.Expr:
    """A whole number with its thousands apart: marks are set from the right."""
    digits = value.abs().round(0).cast(pl.Int64, strict=False).cast(pl.String)
    apart = digits.str.reverse().str.replace_all(r"(\d{3})", "${1}" + parted)
    sign = pl.when(value <= -0.5).then(pl.lit("-")).otherwise(pl.lit(""))
    return pl.concat_str(sign, apart.str.strip_suffix(parted).str.reverse())


def significant(value: float, digits: int = 3, *, parted: str = ",") -> str:
    """`figure` of one number, to so many significant digits."""
    if value == 0:
        return "0"
    if abs(value) >= 100:
        return f"{value:,.0f}".replace(",", parted)
    places = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:.{places}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


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
