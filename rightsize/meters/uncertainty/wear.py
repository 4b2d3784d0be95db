"""Accuracy curves of worn meters: wear is always stated by the utility, never assumed.

Notes
-----
A worn meter slips more, or brakes its rotor more: below the minimum test flow what it loses
there grows as its law says (`principles.Principle.loss_power`), while the starting flow rises.

No rate is shipped. Published rates differ by an order of magnitude between studies: a used
domestic fleet lost 1.88 % a year at low flow and 0.14 % at medium flow, and gained 1.68 % at
high flow (AQUA 70(2):217, 2021, read), which is not to be carried over to other meters; 413
5/8 in discs of 25 to 33 years are said to have registered about 46 % less than passed at 0.25
gpm (secondary, not confirmed; from memory). Fit your own from accuracy tests (`shrinkage`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal

from pydantic import Field, field_validator

from rightsize.meters.catalogue import Meter, Points
from rightsize.meters.principles import principle_of
from rightsize.settings import Settings

_LARGEST_RATE_PCT: Final = 20.0

Place = Literal["low", "middle", "high"]


@dataclass(frozen=True)
class Range:
    """A rate known within bounds."""

    low: float
    middle: float
    high: float

    def __post_init__(self) -> None:
        if not self.low <= self.middle <= self.high:
            raise ValueError(
                f"a range must increase: low {self.low:g}, middle {self.middle:g}, "
                f"high {self.high:g}"
            )

    def at(self, place: Place) -> float:
        """The low, middle or high rate."""
        value: float = getattr(self, place)
        return value


@dataclass(frozen=True)
class Wear:
    """Rates of wear, per year of age or per million gallons registered.

    `low_flow_loss_pct` and `normal_loss_pct` are points of registration lost at the minimum
    test flow and within the normal range (negative: gained); `start_rise_pct` is the growth
    of the starting flow, compounding.
    """

    per: Literal["year", "mgal"]
    low_flow_loss_pct: Range
    normal_loss_pct: Range
    start_rise_pct: Range


Rates = tuple[float, float, float]


class WearRate(Settings):
    """Stated wear of a meter type: low, middle and high rate per year."""

    low_flow_loss_pct_per_year: Rates = Field(
        description="accuracy lost at the minimum test flow, percentage points; negative if"
        " gained"
    )
    normal_loss_pct_per_year: Rates = Field(
        description="accuracy lost in the normal range, percentage points"
    )
    start_rise_pct_per_year: Rates = Field((0, 0, 0), description="increase in starting flow")
    source: str = Field(min_length=1, description="source of the rates")

    @field_validator(
        "low_flow_loss_pct_per_year", "normal_loss_pct_per_year", "start_rise_pct_per_year"
    )
    @classmethod
    def _rises(cls, value: Rates) -> Rates:
        if not value[0] <= value[1] <= value[2]:
            raise ValueError(f"low, middle and high rate must increase; got {list(value)}")
        if not -_LARGEST_RATE_PCT <= value[0] <= value[2] <= _LARGEST_RATE_PCT:
            raise ValueError(
                f"rates must be within {_LARGEST_RATE_PCT:g} % per year; got {list(value)}"
            )
        return value

    def wear(self) -> Wear:
        """The rates as `worn_meter` takes them."""
        return Wear(
            "year",
            Range(*self.low_flow_loss_pct_per_year),
            Range(*self.normal_loss_pct_per_year),
            Range(*self.start_rise_pct_per_year),
        )


def worn_meter(meter: Meter, wear: Wear, *, amount: float, place: Place) -> Meter:
    """The meter after `amount` years or million gallons, by `wear.per`.

    Parameters
    ----------
    meter : Meter
        As new.
    wear : Wear
        The utility's rates.
    amount : float
        Age [years] or volume [million gallons].
    place : {"low", "middle", "high"}
        Which bound of the rates; run all three to see what they mean.

    Returns
    -------
    Meter
        Ratios lowered by the low-flow rate at the minimum test flow, by the normal rate from
        the normal minimum up, between the two linear in log flow, and below by the type's law;
        starting flow raised; ratios kept within [0, 1.1].

    Raises
    ------
    ValueError
        If `amount` is negative.
    """
    import numpy as np  # here: every command reads wear rates, few bend a curve by them

    if amount < 0:
        raise ValueError(f"amount of wear must not be negative; got {amount:g}")
    start_gpm = meter.starting_gpm * (1 + wear.start_rise_pct.at(place) / 100) ** amount
    lost = np.array([wear.low_flow_loss_pct.at(place), wear.normal_loss_pct.at(place)])
    knots = np.log([meter.min_test_gpm, meter.normal_min_gpm])
    flow_gpm = np.array([q for q, _ in meter.registration])
    fall = np.interp(np.log(flow_gpm), knots, lost * amount / 100)
    power = principle_of(meter.meter_type).loss_power
    fall *= np.maximum(meter.min_test_gpm / flow_gpm, 1.0) ** power
    ratio = np.clip(np.array([a for _, a in meter.registration]) - fall, 0.0, 1.1)
    points: Points = tuple((float(q), float(a)) for q, a in zip(flow_gpm, ratio, strict=True))
    return replace(meter, starting_gpm=start_gpm, registration=points, compound=None)
