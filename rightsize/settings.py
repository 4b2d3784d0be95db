"""Settings that the trade needs, as frozen models; files are read by the pipelines.

Domain functions get plain values, never these models' tree.
"""

from __future__ import annotations

import itertools
from typing import Annotated, Any, Final, Literal, get_args

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    ValidationInfo,
    field_validator,
    model_validator,
)

from rightsize.meter_types import MeterType
from rightsize.units import GAL_PER_M3, MM_PER_IN, PSI_PER_BAR
from rightsize.units.metric_keys import in_us_keys, meter_names, refuse_both, size_in_of

_KGAL_PER_M3: Final = GAL_PER_M3 / 1000
_TIER_TWINS: Final = {
    "usd_per_m3": ("usd_per_kgal", 1 / _KGAL_PER_M3),
    "up_to_m3_per_month": ("up_to_gal_per_month", GAL_PER_M3),
}
_RATE_TWINS: Final = {"sewer_usd_per_m3": ("sewer_usd_per_kgal", 1 / _KGAL_PER_M3)}
_LIMIT_TWINS: Final = {
    "spare_head_bar": ("spare_head_psi", PSI_PER_BAR),
    "refit_usd_per_mm": ("refit_usd_per_in", MM_PER_IN),
}
_METER_LISTS: Final = ("stock_list", "lead_free_list")
_CHARGE_BY_MM: Final = "fixed_charge_by_mm_usd_per_month"

CustomerClass = Literal[
    "office", "retail", "restaurant", "hotel", "apartments", "school", "hospital", "laundry",
    "light_industry", "process", "warehouse", "irrigation", "public", "mixed", "unknown",
]  # fmt: skip
CUSTOMER_CLASSES: Final[tuple[str, ...]] = get_args(CustomerClass)

ServiceKind = Literal["domestic", "irrigation", "fire", "combined"]
SERVICE_KINDS: Final[tuple[str, ...]] = get_args(ServiceKind)

Share = Annotated[float, Field(ge=0, le=1)]
LARGEST_USD: Final = 1e9  # ours: no price is as large, and sums of such stay finite
LARGEST_SIZE_IN: Final = 100.0  # ours: no meter is as large
Money = Annotated[float, Field(ge=0, le=LARGEST_USD, allow_inf_nan=False)]


class Settings(BaseModel):
    """Base of all settings: frozen, and an unknown key is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    @field_validator("*", mode="before")
    @classmethod
    def _is_no_yes_or_no(cls, value: Any, info: ValidationInfo) -> Any:
        """`true` is no number, though Python counts it as 1."""
        annotation = cls.model_fields[str(info.field_name)].annotation
        if _holds_bool(value) and not _takes_bool(annotation):
            raise ValueError("got yes or no (true, false) where none is meant")
        return value


def _holds_bool(value: Any) -> bool:
    if isinstance(value, dict):
        return any(_holds_bool(k) or _holds_bool(v) for k, v in value.items())
    if isinstance(value, list | tuple):
        return any(_holds_bool(v) for v in value)
    return isinstance(value, bool)


def _takes_bool(annotation: Any) -> bool:
    """Whether a field, or a model inside it, judges such values itself."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return True
    return annotation in (bool, Any) or any(_takes_bool(a) for a in get_args(annotation))


class Tier(Settings):
    """One step of a volumetric rate; the last step has no upper end."""

    usd_per_kgal: Money = Field(description="price of the water in this step")
    up_to_gal_per_month: float | None = Field(
        default=None,
        gt=0,
        allow_inf_nan=False,
        description="its upper end; the last step has none",
    )

    @model_validator(mode="before")
    @classmethod
    def _to_us_units(cls, raw: Any) -> Any:
        return in_us_keys(raw, _TIER_TWINS)


class ClassRate(Settings):
    """What a customer class pays for each unit of metered water."""

    tiers: tuple[Tier, ...] = Field(min_length=1, description="steps that rise, each as below")
    sewer_usd_per_kgal: Money = Field(0, description="billed on metered water")
    sewer_return_share: Share = Field(
        1.0, description="share of metered water billed as sewage"
    )

    @model_validator(mode="before")
    @classmethod
    def _to_us_units(cls, raw: Any) -> Any:
        return in_us_keys(raw, _RATE_TWINS)

    @model_validator(mode="after")
    def _tiers_rise(self) -> ClassRate:
        ends = [t.up_to_gal_per_month for t in self.tiers]
        if ends[-1] is not None:
            raise ValueError(
                "the last tier must not have up_to_gal_per_month: it has no upper limit"
            )
        if any(e is None for e in ends[:-1]):
            raise ValueError("every tier except the last needs up_to_gal_per_month")
        limits = [e for e in ends if e is not None]
        if any(b <= a for a, b in itertools.pairwise(limits)):
            raise ValueError(
                f"tiers must be in increasing order of up_to_gal_per_month; got {limits}"
            )
        return self


class Tariff(Settings):
    """Rates that follow water and charges that follow meter size."""

    discount_rate_pct: float = Field(
        4.0, ge=0, le=30, allow_inf_nan=False, description="of money in later years, real"
    )
    classes: dict[str, ClassRate] = Field(
        description="rate of each customer class; `default` must be there and serves the rest"
    )
    fixed_charge_usd_per_month: dict[
        Annotated[float, Field(gt=0, le=LARGEST_SIZE_IN)], Money
    ] = Field(default_factory=dict, description="by nominal meter size [in]")

    @model_validator(mode="before")
    @classmethod
    def _to_us_units(cls, raw: Any) -> Any:
        if not isinstance(raw, dict) or _CHARGE_BY_MM not in raw:
            return raw
        if not isinstance(raw[_CHARGE_BY_MM], dict):
            raise ValueError(
                f"{_CHARGE_BY_MM}: must be keys and values, sizes in mm and charges"
            )
        refuse_both(raw, _CHARGE_BY_MM, "fixed_charge_usd_per_month")
        charges = {size_in_of(mm, _CHARGE_BY_MM): usd for mm, usd in raw[_CHARGE_BY_MM].items()}
        rest = {k: v for k, v in raw.items() if k != _CHARGE_BY_MM}
        return {**rest, "fixed_charge_usd_per_month": charges}

    @model_validator(mode="after")
    def _has_default(self) -> Tariff:
        if "default" not in self.classes:
            raise ValueError(
                "classes must include 'default', which is used for every class not listed"
            )
        unknown = set(self.classes) - {"default", *CUSTOMER_CLASSES}
        if unknown:
            raise ValueError(
                f"unknown customer class {sorted(unknown)[0]!r}; "
                f"allowed: default, {', '.join(CUSTOMER_CLASSES)}"
            )
        return self

    def for_class(self, customer_class: str) -> ClassRate:
        """The rate of a class; `default` where the class is not named."""
        return self.classes.get(customer_class, self.classes["default"])


def _limit(default: float, text: str, *, source: str, ge: float, le: float) -> float:
    value: float = Field(
        default, ge=ge, le=le, description=text, json_schema_extra={"source": source}
    )
    return value


def _policy(default: Any, text: str) -> Any:
    return Field(default, description=text, json_schema_extra={"source": _OURS})


_OURS = "our convention"


class Thresholds(Settings):
    """Every limit that a verdict rests on, each with bounds, meaning and source.

    A metric utility may write `spare_head_bar`, `min_size_mm` and `refit_usd_per_mm`, and
    sizes of the lists of meters as `displacement 25 mm`.
    """

    min_days_covered: float = _limit(
        90, "fewer days than this are not assessed", source=_OURS, ge=1, le=366
    )
    full_year_days: float = _limit(
        330,
        "fewer days than this are assessed with the finding part_year",
        source=_OURS,
        ge=1,
        le=366,
    )
    max_estimated_share: float = _limit(
        0.4, "a larger share of estimated reads is not assessed", source=_OURS, ge=0, le=1
    )
    max_zero_share: float = _limit(
        0.999,
        "an account that registered nothing more often is not assessed",
        source=_OURS,
        ge=0,
        le=1,
    )
    window_months: float = _limit(
        12,
        "trailing months, up to the last read, that a profile rests on",
        source=_OURS,
        ge=1,
        le=36,
    )
    stopped_after_days: float = _limit(
        21,
        "days without registration, after use, that make a stopped meter",
        source=_OURS,
        ge=3,
        le=366,
    )
    low_coverage_share: float = _limit(
        0.9,
        "share of time with reads below which low_coverage is found",
        source=_OURS,
        ge=0,
        le=1,
    )
    many_estimates_share: float = _limit(
        0.1, "share of estimates above which many_estimates is found", source=_OURS, ge=0, le=1
    )
    leak_night_share: float = _limit(
        0.2,
        "least night flow over mean flow from which a leak is suspected",
        source=_OURS,
        ge=0,
        le=1,
    )
    min_reads_per_step: float = _limit(
        0.2,
        "mean registered volume of a day in steps of the register; less is too coarse",
        source=_OURS,
        ge=0,
        le=1000,
    )
    odds_of_benefit: float = _limit(
        0.75, "odds of a positive net benefit a change must reach", source=_OURS, ge=0.5, le=1
    )
    odds_of_fit: float = _limit(
        0.9,
        "odds that peak, sustained flow and head loss fit a candidate",
        source=_OURS,
        ge=0.5,
        le=1,
    )
    odds_of_undersized: float = _limit(
        0.9,
        "odds at which the installed meter is called undersized",
        source=_OURS,
        ge=0.5,
        le=1,
    )
    smoc_margin_share: float = _limit(
        0.0, "share of SMOC kept free above the peak", source=_OURS, ge=0, le=0.5
    )
    continuous_margin_share: float = _limit(
        0.0,
        "share of the continuous rating kept free above sustained flow",
        source=_OURS,
        ge=0,
        le=0.5,
    )
    spare_head_psi: float = _limit(
        20, "head a site can spare where meters.csv does not say", source=_OURS, ge=0, le=100
    )
    min_size_in: float = _limit(
        0.625, "smallest meter that local rule allows", source=_OURS, ge=0.5, le=20
    )
    logging_cost_usd: float = _limit(
        150, "cost of a two-week log at a site", source="common practice", ge=0, le=10000
    )
    tolerated_not_assessed_share: float = _limit(
        0.2,
        "a larger share of accounts not assessed ends the sweep with exit code 3",
        source=_OURS,
        ge=0,
        le=1,
    )
    tolerated_rejected_share: float = _limit(
        0.0,
        "a larger share of rejected rows ends the sweep with exit code 3",
        source=_OURS,
        ge=0,
        le=1,
    )
    min_net_benefit_usd_per_year: float = _limit(
        25, "net benefit from which a change is worth a visit", source=_OURS, ge=0, le=1e6
    )
    near_limit_odds: float = _limit(
        0.75,
        "odds of overload from which a meter not proven undersized is logged first",
        source=_OURS,
        ge=0,
        le=1,
    )
    max_sizes_below_line: float = _limit(
        20,
        "nominal sizes a meter may be smaller than the service line; 20 sets no limit",
        source=_OURS,
        ge=0,
        le=20,
    )
    refit_usd_per_in: float = _limit(
        0,
        "piping and vault work for each inch the size changes; 0 if install_usd covers it",
        source=_OURS,
        ge=0,
        le=10000,
    )
    renewal_credit_share: float = _limit(
        1,
        "share of the avoided replacement in kind credited to a change, by known age",
        source=_OURS,
        ge=0,
        le=1,
    )
    demand_elasticity: float = _limit(
        0,
        "change of demand for a change of what the customer pays per gallon, both in %",
        source=_OURS,
        ge=-2,
        le=0,
    )
    log_resolves_share: float = _limit(
        0.5,
        "share of the value of perfect knowledge that a two-week log yields",
        source=_OURS,
        ge=0,
        le=1,
    )
    min_log_value_usd: float = _limit(
        1000,
        "value of a log, less its cost, from which a site is logged first",
        source=_OURS,
        ge=0,
        le=1e6,
    )
    critical_classes: tuple[CustomerClass, ...] = _policy(
        ("hospital",), "classes that cannot be without water: a person decides their change"
    )
    allowed_types: tuple[MeterType, ...] | None = _policy(
        None, "meter types the utility installs, e.g. [displacement, compound]; all if absent"
    )
    allowed_standards: tuple[str, ...] | None = _policy(
        None, "standards legal for trade here, as the catalogue names them; all if absent"
    )
    lead_free_list: tuple[str, ...] | None = _policy(
        None,
        "meters certified lead-free, as 'type size' or 'type size grade', "
        "e.g. ['displacement 1', 'compound 2 high_performance']; all if absent",
    )
    stock_list: tuple[str, ...] | None = _policy(
        None, "meters kept in stock, written the same way; all if absent"
    )
    draws: int = Field(40, ge=10, le=1000, description="joint draws per account")
    seed: int = Field(1, ge=0, description="seed of the joint draws")

    @model_validator(mode="before")
    @classmethod
    def _to_us_units(cls, raw: Any) -> Any:
        if not isinstance(raw, dict):
            return raw
        entry = in_us_keys(raw, _LIMIT_TWINS)
        if "min_size_mm" in entry:
            refuse_both(entry, "min_size_mm", "min_size_in")
            entry["min_size_in"] = size_in_of(entry.pop("min_size_mm"), "min_size_mm")
        return {
            key: meter_names(value, key) if key in _METER_LISTS else value
            for key, value in entry.items()
        }
