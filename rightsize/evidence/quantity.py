"""Figures as people read them: digits, separators, unit and range, in US or metric units."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from rightsize.meters.catalogue import STANDARD_GRADE, size_words
from rightsize.units import PSI_PER_BAR
from rightsize.units.column_units import nominal_mm
from rightsize.units.plain_number import plain_number
from rightsize.wording import UnitNames, probability_figure

ABSENT: Final = "not known"
THIN: Final = "\u202f"  # narrow no-break space before a unit
MINUS: Final = "\u2212"


def significant(value: float, digits: int = 3, *, parted: str = ",") -> str:
    """A figure with so many significant digits, whole from 100 on, thousands parted."""
    if not math.isfinite(value):
        return ABSENT
    return plain_number(value, digits, parted=parted).replace("-", MINUS)


def decimal(value: float, places: int) -> str:
    """A figure with so many decimals, thousands parted."""
    return f"{value:,.{places}f}".replace("-", MINUS) if math.isfinite(value) else ABSENT


def odds(value: float | None) -> str:
    """A probability in percent, never 0 or 100."""
    if value is None or not math.isfinite(value):
        return ABSENT
    return f"{100 * probability_figure(value):.0f}{THIN}%"


@dataclass(frozen=True)
class Units(UnitNames):
    """Quantities as a page says them."""

    def flow(self, gpm: float | None) -> str:
        """A flow with its unit."""
        return self._say(gpm, self.flow_per_gpm, self.flow_unit)

    def volume(self, gal: float | None) -> str:
        """A volume with its unit."""
        return self._say(gal, self.volume_per_gal, self.volume_unit)

    def pressure(self, psi: float | None) -> str:
        """A pressure with its unit."""
        factor, unit = (1 / PSI_PER_BAR, "bar") if self.is_metric else (1.0, "psi")
        return self._say(psi, factor, unit)

    def size(self, size_in: float | None) -> str:
        """A nominal size as the trade says it: 5/8 in, 1 1/2 in."""
        if size_in is None or math.isnan(size_in):
            return ABSENT
        if self.is_metric:
            return f"{nominal_mm(size_in):g}{THIN}mm"
        return f"{size_words(size_in).replace(' ', THIN)}{THIN}in"

    def meter(
        self, meter_type: str | None, size_in: float | None, grade: str | None = None
    ) -> str:
        """Size, type and grade in words."""
        if meter_type is None:
            return "unknown meter"
        extra = f" ({grade.replace('_', ' ')})" if grade not in (None, STANDARD_GRADE) else ""
        size = f"{self.size(size_in)} " if size_in is not None else ""
        return f"{size}{meter_type.replace('_', ' ')}{extra}"

    def held_meter(
        self, meter_type: str | None, nominal: float | None, grade: str | None
    ) -> str:
        """As `meter`, of a nominal size held in these units; empty if there is none."""
        if meter_type is None:
            return ""
        said = self.meter(meter_type, None, grade)
        if nominal is None:
            return said
        return (
            f"{nominal:g}{THIN}mm {said}" if self.is_metric else f"{self.size(nominal)} {said}"
        )

    def meter_of(self, row: Mapping[str, Any], who: str) -> str:
        """The meter of a recommendation row: `installed`, `recommended` or `runner_up`."""
        return self.meter(*(row.get(f"{who}_{n}") for n in ("type", "size_in", "grade")))

    def flow_range(self, low_gpm: float | None, high_gpm: float | None) -> str:
        """A range of flow."""
        return self._range(low_gpm, high_gpm, self.flow_per_gpm, self.flow_unit)

    def volume_range(self, low_gal: float | None, high_gal: float | None) -> str:
        """A range of volume."""
        return self._range(low_gal, high_gal, self.volume_per_gal, self.volume_unit)

    def count(self, value: int) -> str:
        """A count with its thousands parted."""
        return f"{value:,}".replace(",", self.parted)

    def usd(self, value: float | None) -> str:
        """Whole dollars."""
        return usd(value, parted=self.parted)

    def usd_range(self, low: float | None, high: float | None) -> str:
        """A range of dollars."""
        return usd_range(low, high, parted=self.parted)

    def _say(self, value: float | None, factor: float, unit: str) -> str:
        if value is None or math.isnan(value):
            return ABSENT
        return f"{significant(value * factor, parted=self.parted)}{THIN}{unit}"

    def _range(self, low: float | None, high: float | None, factor: float, unit: str) -> str:
        if low is None or high is None:
            return ABSENT
        ends = (significant(end * factor, parted=self.parted) for end in (low, high))
        return f"{' to '.join(ends)}{THIN}{unit}"


def usd(value: float | None, *, parted: str = ",") -> str:
    """Whole dollars."""
    if value is None or math.isnan(value):
        return ABSENT
    sign = MINUS if round(value) < 0 else ""
    return f"{sign}${abs(round(value)):,}".replace(",", parted)


def usd_range(low: float | None, high: float | None, *, parted: str = ",") -> str:
    """A range of dollars."""
    if low is None or high is None:
        return ABSENT
    return f"{usd(low, parted=parted)} to {usd(high, parted=parted)}"


def pct(value: float | None, places: int = 1) -> str:
    """A figure that is a percentage already."""
    if value is None or math.isnan(value):
        return ABSENT
    return f"{decimal(value, places)}{THIN}%"


def share(value: float | None, places: int = 1) -> str:
    """A share 0 to 1 as a percentage."""
    return pct(None if value is None else 100 * value, places)
