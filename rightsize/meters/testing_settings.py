"""How a utility tests its meters: its rules, costs and sample plan."""

from __future__ import annotations

from typing import Annotated, Final, Literal

from pydantic import Field, field_validator

from rightsize.settings import Money, Settings, Share

InspectionLevel = Literal["I", "II", "III"]
AQL_PCT: Final = (0.65, 1.0, 1.5, 2.5, 4.0, 6.5)
"""Preferred acceptance quality limits (ANSI/ASQ Z1.4) that suit lots of meters."""
Years = Annotated[float, Field(gt=0, le=100)]


class MeterTestSettings(Settings):
    """Test program: rules, costs, and how small meters are sampled."""

    rule: str = Field(
        "maine",
        description="limits of a meter in service, by name: florida, maine, maryland,"
        " handbook_44 or navy; see *meter tests*",
    )
    schedule: str = Field(
        "common_practice",
        description="longest time between tests, by name: common_practice, new_york or"
        " pennsylvania",
    )
    interval_years: dict[Annotated[float, Field(gt=0)], Years] = Field(
        default_factory=dict,
        description="years between tests by size [in], instead of the schedule's",
    )
    within_months: float = Field(
        12, ge=0, le=120, description="months that the program covers; due by their end is due"
    )
    throughput_loss_pct: float = Field(
        1.5,
        gt=0,
        le=50,
        description="accuracy lost by throughput at which a test is due, percentage points, at"
        " the rates of `wear_pct_per_1000_hours`; 1.5 is the limit of the normal range",
    )
    bench_test_usd: Money = Field(
        80, description="cost of a test on the bench, with fetching the meter; common practice"
    )
    field_test_usd: Money = Field(
        400, description="cost of a test in place; common practice, wide"
    )
    field_test_min_in: float = Field(
        3, gt=0, description="size from which meters are tested in place (F.A.C. 25-30.263(4))"
    )
    repair_min_in: float = Field(
        1.5, gt=0, description="smallest size that is repaired; smaller ones are replaced"
    )
    repair_price_share: Share = Field(
        0.35,
        description="cost of a repair as a share of the price of a new meter, without the"
        " work at the site; common practice, wide",
    )
    repair_recovers_share: Share = Field(
        0.9, description="share of the lost accuracy that a repair brings back; our convention"
    )
    lot_max_in: float = Field(
        1, gt=0, description="largest size that is sampled by lot instead of tested one by one"
    )
    lot_by: Literal["age_band", "install_year"] = Field(
        "age_band", description="what divides the meters of a type and size into lots"
    )
    aql_pct: float = Field(
        4.0, description="acceptance quality limit: meters out of limits, percent of a lot"
    )
    inspection_level: InspectionLevel = Field(
        "II", description="general inspection level of ANSI/ASQ Z1.4"
    )

    @field_validator("aql_pct")
    @classmethod
    def _preferred(cls, value: float) -> float:
        if value not in AQL_PCT:
            raise ValueError(f"must be one of {', '.join(f'{a:g}' for a in AQL_PCT)}")
        return value
