"""One catalog entry, as written in the YAML file."""

from __future__ import annotations

from typing import Annotated, Any, Final

from pydantic import Field, model_validator

from rightsize.meter_types import MeterType
from rightsize.meters.build.entry_units import in_us_units
from rightsize.meters.build.metric import AccuracyClass
from rightsize.meters.catalogue import STANDARD_GRADE, EndConnection, Limits
from rightsize.settings import Money, Settings

LARGEST: Final = 1e6  # ours: no flow, size, life or loss of a meter is as large in its unit
Number = Annotated[float, Field(ge=-LARGEST, le=LARGEST, allow_inf_nan=False)]
Flow = Annotated[float, Field(gt=0, le=LARGEST, allow_inf_nan=False)]

_COMPOUND_ONLY: Final = (
    "changeover_falling_gpm",
    "changeover_rising_gpm",
    "low_element_size_in",
)


class MeterEntry(Settings):
    """The keys an entry may have; flows may also be given as `..._m3h`, loss in bar."""

    meter_type: MeterType
    size_in: Flow
    grade: str = Field(STANDARD_GRADE, pattern=r"^[a-z][a-z0-9_]*$")
    q3_m3h: Flow | None = None
    r: Flow | None = None
    accuracy_class: AccuracyClass = 2
    pressure_loss_bar: Flow = Field(0.63, description="at Q3; 0.63 bar is the cap of R 49")
    starting_gpm: Flow | None = None
    min_test_gpm: Flow | None = None
    normal_min_gpm: Flow | None = None
    continuous_gpm: Flow | None = None
    smoc_gpm: Flow | None = None
    registration: tuple[tuple[Number, Number], ...] | None = Field(None, min_length=1)
    head_loss_psi_at_smoc: Flow | None = None
    low_limits: Limits | None = None
    normal_limits: Limits | None = None
    changeover_falling_gpm: Flow | None = None
    changeover_rising_gpm: Flow | None = None
    low_element_size_in: Flow | None = None
    price_usd: Money
    install_usd: Money
    upkeep_usd_per_year: Money
    life_years: Flow
    lay_length_in: Flow | None = None
    end_connection: EndConnection | None = None
    needs_power: bool = Field(False, description="from the mains, not from a battery")
    source: str = ""
    is_lead_free: bool = Field(False, description="wetted parts, by the meter's certificate")
    size_override: bool = Field(False, description="the trade does not make it, we mean it")

    @model_validator(mode="before")
    @classmethod
    def _to_us_units(cls, raw: Any) -> Any:
        return in_us_units(raw) if isinstance(raw, dict) else raw

    @model_validator(mode="after")
    def _belongs_together(self) -> MeterEntry:
        if (self.q3_m3h is None) != (self.r is None):
            raise ValueError("q3_m3h and r must both be given, or neither")
        falling, rising = self.changeover_falling_gpm, self.changeover_rising_gpm
        parts = [n for n in _COMPOUND_ONLY if getattr(self, n) is not None]
        if parts and self.meter_type != "compound":
            raise ValueError(
                f"{parts[0]}: allowed for compound meters only; got {self.meter_type}"
            )
        if parts and self.registration is not None:
            raise ValueError(
                f"{parts[0]}: cannot be combined with registration; remove one of them"
            )
        if (falling is None) != (rising is None):
            raise ValueError(
                "changeover_rising_gpm and changeover_falling_gpm: give both, or neither"
            )
        if falling is not None and rising is not None and falling > rising:
            raise ValueError(
                "changeover_falling_gpm: must not be above changeover_rising_gpm "
                f"({rising:g}); got {falling:g}"
            )
        return self
