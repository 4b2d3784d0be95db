"""Tariff and thresholds as frozen models; the pipelines read the files.

Domain functions take plain values, never these models.
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
_TARIFF_TWINS: Final = {
    "avoided_water_usd_per_m3": ("avoided_water_usd_per_kgal", 1 / _KGAL_PER_M3)
}
_RATE_TWINS: Final = {"sewer_usd_per_m3": ("sewer_usd_per_kgal", 1 / _KGAL_PER_M3)}
_LIMIT_TWINS: Final = {
    "spare_head_bar": ("spare_head_psi", PSI_PER_BAR),
    "refit_usd_per_mm": ("refit_usd_per_in", MM_PER_IN),
}
_SIZE_TWINS: Final = {
    "min_size_mm": "min_size_in",
    "fire_line_min_mm": "fire_line_min_in",
    "fire_line_step_min_mm": "fire_line_step_min_in",
}
_METER_LISTS: Final = ("stock_list", "lead_free_list")
_CHARGE_BY_MM: Final = "fixed_charge_by_mm_usd_per_month"

CustomerClass = Literal[
    "office", "retail", "restaurant", "hotel", "apartments", "school", "hospital", "laundry",
    "light_industry", "process", "warehouse", "irrigation", "public", "mixed", "unknown",
]  # fmt: skip
CUSTOMER_CLASSES: Final[tuple[str, ...]] = get_args(CustomerClass)

ServiceKind = Literal[
    "domestic", "irrigation", "fire", "combined", "reclaimed", "hydrant", "deduct", "wholesale",
    "unknown",
]  # fmt: skip
SERVICE_KINDS: Final[tuple[str, ...]] = get_args(ServiceKind)

FireArrangement = Literal["separate", "combined", "none"]
FIRE_ARRANGEMENTS: Final[tuple[str, ...]] = get_args(FireArrangement)
"""How fire flow reaches a site: by a line of its own, by the line that is metered, or not."""

Backflow = Literal["none", "double_check", "reduced_pressure"]
BACKFLOW: Final[tuple[str, ...]] = get_args(Backflow)
"""Backflow preventer in line with the meter."""

END_CONNECTIONS: Final = ("threaded", "flanged")
YES_OR_NO: Final = ("yes", "no")

LearningKind = Literal[
    "night_logging", "flow_logging", "accuracy_test", "finer_interval", "peak_register"
]
LEARNING_KINDS: Final[tuple[LearningKind, ...]] = get_args(LearningKind)
"""What may be learned at a site; `rightsize.knowing.kinds` says what each measures."""

UpsizeEvidence = Literal["complaint", "pressure_record", "peak_register", "flow_log"]
UPSIZE_EVIDENCE: Final[tuple[str, ...]] = get_args(UpsizeEvidence)
"""What may be on record that a meter is too small, beside its reads."""

WearPct = Annotated[float, Field(ge=0, le=10, allow_inf_nan=False)]
_WEAR_PCT_PER_YEAR: Final[dict[MeterType, float]] = {
    "displacement": 0.1, "multi_jet": 0.1, "single_jet": 0.15, "turbine": 0.05,
    "compound": 0.05, "propeller": 0.1, "electromagnetic": 0, "ultrasonic": 0,
    "fire_service": 0.05,
}  # fmt: skip
"""[points/year] Common practice, wide. Large meters are tested and repaired, which their O&M
pays: what is left is small. No moving part, no wear."""
_WEAR_PCT_PER_1000_HOURS: Final[dict[MeterType, float]] = {
    "displacement": 0.3, "multi_jet": 0.3, "single_jet": 0.3, "turbine": 0.05,
    "compound": 0.1, "propeller": 0.1, "electromagnetic": 0, "ultrasonic": 0,
    "fire_service": 0.05,
}  # fmt: skip
"""[points/1,000 h] Likewise: half a point to two over the water that passes a small meter."""
Share = Annotated[float, Field(ge=0, le=1)]
LARGEST_USD: Final = 1e9  # ours: no price is as large, and sums of such stay finite
LARGEST_SIZE_IN: Final = 100.0  # ours: no meter is as large
Money = Annotated[float, Field(ge=0, le=LARGEST_USD, allow_inf_nan=False)]


SummerMonth = Annotated[int, Field(ge=1, le=12)]


class Settings(BaseModel):
    """Base of all settings: frozen; an unknown key is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    @field_validator("*", mode="before")
    @classmethod
    def _is_no_yes_or_no(cls, value: Any, info: ValidationInfo) -> Any:
        """`true` is not a number, although Python counts it as 1."""
        annotation = cls.model_fields[str(info.field_name)].annotation
        if _holds_bool(value) and not _takes_bool(annotation):
            raise ValueError("got yes or no (true, false), which is not allowed here")
        return value


def _holds_bool(value: Any) -> bool:
    if isinstance(value, dict):
        return any(_holds_bool(k) or _holds_bool(v) for k, v in value.items())
    if isinstance(value, list | tuple):
        return any(_holds_bool(v) for v in value)
    return isinstance(value, bool)


def _takes_bool(annotation: Any) -> bool:
    """Whether a field, or a model in it, checks such values itself."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return True
    return annotation in (bool, Any) or any(_takes_bool(a) for a in get_args(annotation))


class Tier(Settings):
    """One tier of a volumetric rate; the last tier has no upper limit."""

    usd_per_kgal: Money = Field(description="water rate in this tier")
    up_to_gal_per_month: float | None = Field(
        default=None,
        gt=0,
        allow_inf_nan=False,
        description="upper limit of the tier; the last tier has none",
    )

    @model_validator(mode="before")
    @classmethod
    def _to_us_units(cls, raw: Any) -> Any:
        return in_us_keys(raw, _TIER_TWINS)


class ClassRate(Settings):
    """Water and sewer rates of a customer class."""

    tiers: tuple[Tier, ...] = Field(
        min_length=1, description="rate tiers in rising order, each as below"
    )
    sewer_usd_per_kgal: Money = Field(0, description="sewer rate, billed on metered water")
    sewer_return_share: Share = Field(
        1.0, description="share of metered water billed for sewer"
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
    """Volumetric rates, and base charges by meter size."""

    discount_rate_pct: float = Field(
        4.0,
        ge=0,
        le=30,
        allow_inf_nan=False,
        description="real discount rate (net of inflation)",
    )
    classes: dict[str, ClassRate] = Field(
        description="rates by customer class; `default` is required and applies to classes not"
        " named"
    )
    fixed_charge_usd_per_month: dict[
        Annotated[float, Field(gt=0, le=LARGEST_SIZE_IN)], Money
    ] = Field(default_factory=dict, description="base charge by nominal meter size [in]")
    count_base_charge_loss: Literal["full", "until_rate_case", "none"] = Field(
        "full",
        description="how long a base charge lost by a smaller meter counts: for the meter's"
        " life, until the next rate case spreads it again, or not at all (who pays it is then a"
        " question of equity between customers)",
    )
    years_to_rate_case: float = Field(
        3,
        ge=0,
        le=30,
        allow_inf_nan=False,
        description="years to the next rate case, for `until_rate_case`",
    )
    summer_months: tuple[SummerMonth, ...] = Field(
        (6, 7, 8, 9),
        description="calendar months of summer in bills before and after a change; the others"
        " are winter",
    )
    avoided_water_usd_per_kgal: Money = Field(
        0,
        description="what the utility saves on a kgal that no longer runs: purchase, or"
        " chemicals and power; credited once a leak that the new meter shows is repaired",
    )
    leak_adjustment_share: Share = Field(
        0, description="share of a repaired leak's bill that is credited to the customer"
    )
    leak_adjustment_months: float = Field(
        0,
        ge=0,
        le=36,
        allow_inf_nan=False,
        description="most months of a leak's bill of which that share is credited",
    )

    @model_validator(mode="before")
    @classmethod
    def _to_us_units(cls, raw: Any) -> Any:
        raw = in_us_keys(raw, _TARIFF_TWINS)
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
        """The rate of a class, or `default` if the class is not named."""
        return self.classes.get(customer_class, self.classes["default"])


def _limit(default: float, text: str, *, source: str, ge: float, le: float) -> float:
    value: float = Field(
        default, ge=ge, le=le, description=text, json_schema_extra={"source": source}
    )
    return value


def _policy(default: Any, text: str) -> Any:
    return Field(default, description=text, json_schema_extra={"source": _OURS})


def _common(default: Any, text: str) -> Any:
    return Field(default, description=text, json_schema_extra={"source": _WIDE})


_OURS = "our convention"
_WIDE = "common practice, wide: enter your own"


class Thresholds(Settings):
    """Every threshold behind a verdict, each with bounds, meaning and source.

    A metric utility may write `spare_head_bar`, `min_size_mm`, `fire_line_min_mm`,
    `fire_line_step_min_mm` and `refit_usd_per_mm`, and sizes in the meter lists as
    `displacement 25 mm`.
    """

    min_days_covered: float = _limit(
        90, "minimum days of reads for an assessment", source=_OURS, ge=1, le=366
    )
    full_year_days: float = _limit(
        330,
        "days of reads below which an account gets the finding part_year",
        source=_OURS,
        ge=1,
        le=366,
    )
    max_estimated_share: float = _limit(
        0.4, "maximum share of estimated reads for an assessment", source=_OURS, ge=0, le=1
    )
    max_zero_share: float = _limit(
        0.999,
        "maximum share of zero reads for an assessment",
        source=_OURS,
        ge=0,
        le=1,
    )
    window_months: float = _limit(
        12,
        "trailing months, up to the last read, used in a profile",
        source=_OURS,
        ge=1,
        le=36,
    )
    stopped_after_days: float = _limit(
        21,
        "days of zero registration after use before a meter is reported stopped",
        source=_OURS,
        ge=3,
        le=366,
    )
    low_coverage_share: float = _limit(
        0.9,
        "coverage below which the finding low_coverage is reported",
        source=_OURS,
        ge=0,
        le=1,
    )
    many_estimates_share: float = _limit(
        0.1,
        "share of estimates above which many_estimates is reported",
        source=_OURS,
        ge=0,
        le=1,
    )
    leak_night_share: float = _limit(
        0.2,
        "minimum night flow over average flow at which a possible leak is reported",
        source=_OURS,
        ge=0,
        le=1,
    )
    leak_night_share_round_the_clock: float = _limit(
        0.35,
        "the same for `round_the_clock_classes`, whose use runs at night too",
        source=_OURS,
        ge=0,
        le=1,
    )
    leak_window_days: float = _limit(
        30,
        "trailing days of continuous flow, with no hour at rest, before a new leak is reported",
        source="common practice",
        ge=7,
        le=180,
    )
    leak_min_gpm: float = _limit(
        0.1,
        "smallest registered rate of such a leak that is reported",
        source=_OURS,
        ge=0.001,
        le=1000,
    )
    leak_min_share: float = _limit(
        0.05,
        "smallest share of average flow of such a leak that is reported",
        source=_OURS,
        ge=0,
        le=1,
    )
    size_without_leak: bool = _policy(
        True,
        "leave a possible leak that began in the year out of the flows that size a meter,"
        " except in `round_the_clock_classes`; its volume is told",
    )
    min_reads_per_step: float = _limit(
        0.2,
        "minimum average daily volume, in units of register resolution; below it the register"
        " is too coarse",
        source=_OURS,
        ge=0,
        le=1000,
    )
    odds_of_benefit: float = _limit(
        0.65,
        "minimum probability of positive net benefit for a change where a log may come first",
        source=_OURS,
        ge=0.5,
        le=1,
    )
    odds_of_fit: float = _limit(
        0.85,
        "minimum probability that a candidate handles peak, sustained flow and head loss",
        source=_OURS,
        ge=0.5,
        le=1,
    )
    odds_of_undersized: float = _limit(
        0.9,
        "probability of overload at which the installed meter is called undersized",
        source=_OURS,
        ge=0.5,
        le=1,
    )
    manifold_capacity_share: float = _limit(
        0.9,
        "share of the sum of their capacities that meters side by side carry together: flow"
        " does not divide by capacity alone",
        source="common practice",
        ge=0.3,
        le=1,
    )
    smoc_margin_share: float = _limit(
        0.0,
        "safety margin between peak flow and SMOC, as a share of SMOC",
        source=_OURS,
        ge=0,
        le=0.5,
    )
    continuous_margin_share: float = _limit(
        0.0,
        "safety margin between sustained flow and the continuous rating, as a share of it",
        source=_OURS,
        ge=0,
        le=0.5,
    )
    spare_head_psi: float = _limit(
        20,
        "pressure drop that meter, strainer, reducers and backflow assembly may take together,"
        " where meters.csv gives none",
        source=_OURS,
        ge=0,
        le=100,
    )
    double_check_psi: float = _limit(
        5, "head loss of a double check assembly", source="common practice", ge=0, le=50
    )
    reduced_pressure_psi: float = _limit(
        12,
        "head loss of a reduced-pressure assembly",
        source="common practice",
        ge=0,
        le=50,
    )
    min_size_in: float = _limit(
        0.625, "smallest meter size that local rules allow", source=_OURS, ge=0.5, le=20
    )
    logging_cost_usd: float = _limit(
        150, "cost of a two-week flow log at a site", source="common practice", ge=0, le=10000
    )
    tolerated_not_assessed_share: float = _limit(
        0.2,
        "share of accounts not assessed above which the sweep exits with code 3",
        source=_OURS,
        ge=0,
        le=1,
    )
    tolerated_rejected_share: float = _limit(
        0.0,
        "share of rejected rows above which the sweep exits with code 3",
        source=_OURS,
        ge=0,
        le=1,
    )
    min_net_benefit_usd_per_year: float = _limit(
        50,
        "minimum net benefit that justifies a change-out",
        source="common practice",
        ge=0,
        le=1e6,
    )
    min_gain_points: float = _limit(
        0.5,
        "minimum gain in weighted accuracy that justifies a change-out, in percentage points:"
        " less is within what repeated tests of one meter differ by",
        source="common practice",
        ge=0,
        le=50,
    )
    max_payback_years: float = _limit(
        7,
        "longest simple payback of a change-out [years]",
        source="common practice",
        ge=0.1,
        le=100,
    )
    odds_slack: float = _limit(
        0.1,
        "how far below the required probability of benefit the chosen meter may lie, once"
        " another that fits reaches it (two standard errors of 64 samples)",
        source=_OURS,
        ge=0,
        le=0.5,
    )
    costly_change_usd: float = _limit(
        2000,
        "cost of a change from which the surer odds_of_costly_benefit are asked: below them a"
        " log, a small part of the cost, comes first",
        source="common practice",
        ge=0,
        le=1e9,
    )
    odds_of_costly_benefit: float = _limit(
        0.75,
        "minimum probability of positive net benefit for a change of costly_change_usd or more"
        " where a log may come first",
        source=_OURS,
        ge=0.5,
        le=1,
    )
    odds_without_log: float = _limit(
        0.5,
        "minimum probability of positive net benefit for a change where no log comes: none is"
        " worth min_log_value_usd, one is in use, or the configured campaign does not log the"
        " site",
        source=_OURS,
        ge=0.5,
        le=1,
    )
    tie_band_share: float = _limit(
        0.01,
        "share of the best meter's worth within which a cheaper meter that fits as surely is"
        " preferred",
        source=_OURS,
        ge=0,
        le=0.5,
    )
    wrong_size_cost_usd: float = _limit(
        2500,
        "cost of a meter that proves too small, beside buying and installing once more: second"
        " visit, complaint, throttled customer",
        source="common practice",
        ge=0,
        le=1e6,
    )
    design_peak_share: float = _limit(
        0.8,
        "largest share of a new meter's SMOC that the estimated peak may take",
        source="common practice",
        ge=0.1,
        le=1,
    )
    near_limit_odds: float = _limit(
        0.75,
        "probability of overload above which a meter not proven undersized is logged first",
        source=_OURS,
        ge=0,
        le=1,
    )
    max_sizes_below_line: float = _limit(
        20,
        "maximum nominal sizes below the service line; 20 means no limit",
        source=_OURS,
        ge=0,
        le=20,
    )
    fire_line_min_in: float = _limit(
        4,
        "service line size from which the fire arrangement must be on record before a change",
        source="common practice",
        ge=0.5,
        le=36,
    )
    fire_line_sizes_above_meter: float = _limit(
        2,
        "nominal sizes of the service line above the meter from which it must be on record too",
        source="common practice",
        ge=1,
        le=20,
    )
    fire_line_step_min_in: float = _limit(
        1.5,
        "smallest service line that `fire_line_sizes_above_meter` applies to: 1 in on 5/8 in"
        " is usual",
        source="common practice",
        ge=0.5,
        le=36,
    )
    refit_usd_per_in: float = _limit(
        0,
        "piping and vault work per inch of size change; 0 if install_usd covers it",
        source=_OURS,
        ge=0,
        le=10000,
    )
    renewal_credit_share: float = _limit(
        1,
        "share of the avoided in-kind replacement credited to a change, if the age is known",
        source=_OURS,
        ge=0,
        le=1,
    )
    demand_elasticity: float = _limit(
        0,
        "price elasticity of demand: % change in use per % change in price per gallon",
        source=_OURS,
        ge=-2,
        le=0,
    )
    count_leak_repair: bool = _policy(
        True,
        "whether steady flow that a new meter shows is repaired over time; false counts its"
        " money for the whole life of the meter",
    )
    leak_runs_after_3_months_share: float = _limit(
        0.8,
        "share of steady flow below the old meter's start that still runs 3 months after a"
        " new meter shows it",
        source=_WIDE,
        ge=0,
        le=1,
    )
    leak_runs_after_12_months_share: float = _limit(
        0.55, "the same after 12 months", source=_WIDE, ge=0, le=1
    )
    leak_runs_after_36_months_share: float = _limit(
        0.35,
        "the same after 36 months and from then on: use that looked like a leak",
        source=_WIDE,
        ge=0,
        le=1,
    )
    leak_runs_spread_share: float = _limit(
        0.25,
        "half-width of the range around these three shares",
        source=_WIDE,
        ge=0,
        le=1,
    )
    learn_leak_repair: bool = _policy(
        True,
        "whether steady flow of past change-outs moves these shares, once 5 of them show what"
        " is left after as many months",
    )
    count_wear: bool = _policy(
        False,
        "whether both meters are taken to wear over the new meter's life; off by default, since"
        " the rates are common practice, not the utility's data",
    )
    wear_pct_per_year: dict[MeterType, WearPct] = _common(
        _WEAR_PCT_PER_YEAR,
        "accuracy lost per year of age by meter type, percentage points, 0 to twice as much;"
        " types not given keep their default",
    )
    wear_pct_per_1000_hours: dict[MeterType, WearPct] = _common(
        _WEAR_PCT_PER_1000_HOURS,
        "accuracy lost per 1,000 hours in which the continuous rating would pass the volume,"
        " likewise",
    )
    log_resolves_share: float = _limit(
        0.5,
        "share of the value of perfect information that a two-week log yields",
        source=_OURS,
        ge=0,
        le=1,
    )
    min_log_value_usd: float = _limit(
        800,
        "value of a log, net of its cost, above which a site is logged first",
        source=_OURS,
        ge=0,
        le=1e6,
    )
    night_logging_cost_usd: float = _limit(
        110,
        "cost of two nights of flow by a clamp-on meter at a site",
        source="common practice",
        ge=0,
        le=10000,
    )
    accuracy_test_cost_usd: float = _limit(
        350,
        "cost of an accuracy test of a meter, in the field or on the bench",
        source="common practice",
        ge=0,
        le=100000,
    )
    finer_interval_cost_usd: float = _limit(
        40,
        "cost of reads at a finer interval from one endpoint: setting, data, battery",
        source="common practice",
        ge=0,
        le=10000,
    )
    peak_register_cost_usd: float = _limit(
        60,
        "cost of switching on the peak flow of one register and of reading it",
        source="common practice",
        ge=0,
        le=10000,
    )
    log_peak_error_share: float = _limit(
        0.15,
        "standard error of the year's 10 s peak as told by two weeks of flow in season",
        source="common practice",
        ge=0.01,
        le=2,
    )
    log_sustained_error_share: float = _limit(
        0.1,
        "the same of sustained flow",
        source="common practice",
        ge=0.01,
        le=2,
    )
    log_volume_error_share: float = _limit(
        0.03,
        "standard error of a logger's volume against the register's, both of the same days",
        source="common practice",
        ge=0.001,
        le=1,
    )
    log_low_flow_error_share: float = _limit(
        0.04,
        "standard error of the share of volume at low flow, as told by a log",
        source="common practice",
        ge=0.001,
        le=1,
    )
    night_flow_error_share: float = _limit(
        0.2,
        "standard error of steady flow as told by a few nights",
        source="common practice",
        ge=0.01,
        le=2,
    )
    clamp_on_floor_fps: float = _limit(
        0.02,
        "standard error of a clamp-on meter near rest, as velocity in the pipe, ft/s",
        source="common practice",
        ge=0.0001,
        le=1,
    )
    accuracy_test_error_share: float = _limit(
        0.01,
        "standard error of registration at each flow of an accuracy test",
        source="common practice",
        ge=0.0005,
        le=0.2,
    )
    finer_interval_min: float = _limit(
        5, "interval that reads can be set to", source="common practice", ge=0.1, le=60
    )
    finer_peak_error_share: float = _limit(
        0.2,
        "standard error of the 10 s peak as told by a season of reads at that interval",
        source=_OURS,
        ge=0.01,
        le=2,
    )
    finer_low_flow_error_share: float = _limit(
        0.08,
        "standard error of the share of volume at low flow as told by them",
        source=_OURS,
        ge=0.001,
        le=1,
    )
    peak_register_error_share: float = _limit(
        0.1,
        "standard error of the 10 s peak as told by a register's own peak flow",
        source="common practice",
        ge=0.01,
        le=2,
    )
    class_common_share: float = _limit(
        0.1,
        "share of what a log is worth at the other sites of a class that knowing the class"
        " would bring there",
        source=_OURS,
        ge=0,
        le=1,
    )
    class_half_logs: float = _limit(
        3,
        "logs of a class that remove half of what its prior leaves open: n logs remove"
        " n / (n + this)",
        source=_OURS,
        ge=0.1,
        le=1000,
    )
    log_season_share: float = _limit(
        0.6,
        "share of the largest month's daily volume that a month must have for a log to see the"
        " peaks of irrigation; of the mean month elsewhere",
        source=_OURS,
        ge=0,
        le=1,
    )
    night_logging_days: float = _limit(
        2, "days that a logger stands for a night log", source="common practice", ge=0.5, le=60
    )
    flow_logging_days: float = _limit(
        14, "days that a logger stands for a flow log", source="common practice", ge=1, le=90
    )
    log_visit_hours: float = _limit(
        2.0,
        "crew hours to set and fetch a logger, without the way to the area",
        source="common practice",
        ge=0.1,
        le=40,
    )
    accuracy_test_hours: float = _limit(
        3.0, "crew hours of an accuracy test", source="common practice", ge=0.1, le=40
    )
    endpoint_visit_hours: float = _limit(
        0.5,
        "crew hours to set an endpoint's interval or peak flow; 0 if set over the air",
        source="common practice",
        ge=0,
        le=40,
    )
    area_trip_hours: float = _limit(
        1.0,
        "crew hours of the way to an area and back, once a week in which it is worked in",
        source="common practice",
        ge=0,
        le=40,
    )
    area_trip_usd: float = _limit(
        90, "cost of that way", source="common practice", ge=0, le=10000
    )
    logging_hours_per_week: float = _limit(
        24,
        "hours a week that a crew spends on logs and tests",
        source="common practice",
        ge=1,
        le=60,
    )
    tap_and_line_usd_per_in: float = _limit(
        3000,
        "new tap and service line per inch of a meter that is larger than the line",
        source="common practice",
        ge=0,
        le=1e6,
    )
    unknown_line_odds: float = _limit(
        0.5,
        "probability that a service line of unknown size is too small for a larger meter",
        source=_OURS,
        ge=0,
        le=1,
    )
    capacity_charge_usd_per_equivalent: float = _limit(
        0,
        "capacity charge of a larger meter, per 20 gpm of SMOC gained (a 5/8 in meter); 0 if"
        " none is due",
        source=_OURS,
        ge=0,
        le=1e6,
    )
    fitting_usd_per_in: float = _limit(
        40,
        "reducers, spool or end adapters per inch of the larger meter, where size, laying"
        " length or ends differ",
        source="common practice",
        ge=0,
        le=1e5,
    )
    repipe_usd_per_in: float = _limit(
        150,
        "pipe and vault work per inch of the meter, where it is longer than the place for it or"
        " the straight run is too short",
        source="common practice",
        ge=0,
        le=1e5,
    )
    strainer_usd_per_in: float = _limit(
        150,
        "strainer per inch of a meter that needs one, where none stands",
        source="common practice",
        ge=0,
        le=1e5,
    )
    power_usd: float = _limit(
        1500,
        "power at the site of a meter with needs_power, where there is none",
        source="common practice",
        ge=0,
        le=1e6,
    )
    traffic_control_usd: float = _limit(
        500,
        "traffic control for a change in the street",
        source="common practice",
        ge=0,
        le=1e6,
    )
    traffic_min_in: float = _limit(
        3,
        "size of the larger meter from which a place that is not recorded may be in the street",
        source=_OURS,
        ge=0.5,
        le=36,
    )
    unknown_site_odds: float = _limit(
        0.5,
        "probability that a fact of the site that is not recorded costs money",
        source=_OURS,
        ge=0,
        le=1,
    )
    upsize_needs_evidence: bool = _policy(
        True,
        "log before a larger meter is bought if only the inferred peak shows that the installed"
        " one is too small",
    )
    learning_kinds: tuple[LearningKind, ...] = _policy(
        LEARNING_KINDS,
        "kinds of learning that the utility can do; e.g. without peak_register where registers"
        " report no peak flow",
    )
    critical_classes: tuple[CustomerClass, ...] = _policy(
        ("hospital",), "classes that cannot be shut off: changes go to engineering review"
    )
    round_the_clock_classes: tuple[CustomerClass, ...] = _policy(
        ("process",),
        "classes that use water day and night: night flow alone is no leak there",
    )
    allowed_types: tuple[MeterType, ...] | None = _policy(
        None, "meter types the utility installs, e.g. [displacement, compound]; all if absent"
    )
    allowed_standards: tuple[str, ...] | None = _policy(
        None, "standards approved for billing here, as named in the catalog; all if absent"
    )
    lead_free_list: tuple[str, ...] | None = _policy(
        None,
        "meters certified lead-free, as 'type size' or 'type size grade', "
        "e.g. ['displacement 1', 'turbine 2 r100']; all if absent",
    )
    stock_list: tuple[str, ...] | None = _policy(
        None, "meters kept in stock, in the same format; all if absent"
    )
    draws: int = Field(64, ge=10, le=1000, description="Monte Carlo samples per account")
    draws_near_threshold: int = Field(
        48,
        ge=0,
        le=1000,
        description="further samples for an account near a required probability",
    )
    seed: int = Field(1, ge=0, description="random seed of the samples")

    @field_validator("wear_pct_per_year", "wear_pct_per_1000_hours", mode="before")
    @classmethod
    def _other_types_keep_theirs(cls, value: Any, info: ValidationInfo) -> Any:
        default = cls.model_fields[str(info.field_name)].default
        return {**default, **value} if isinstance(value, dict) else value

    @model_validator(mode="after")
    def _leaks_are_repaired_in_time(self) -> Thresholds:
        shares = [getattr(self, f"leak_runs_after_{n}_months_share") for n in (3, 12, 36)]
        if any(later > sooner for sooner, later in itertools.pairwise(shares)):
            raise ValueError(
                f"leak_runs_after_3, 12 and 36 months must not increase; got {shares}"
            )
        return self

    @model_validator(mode="before")
    @classmethod
    def _to_us_units(cls, raw: Any) -> Any:
        if not isinstance(raw, dict):
            return raw
        entry = in_us_keys(raw, _LIMIT_TWINS)
        for metric, ours in _SIZE_TWINS.items():
            if metric in entry:
                refuse_both(entry, metric, ours)
                entry[ours] = size_in_of(entry.pop(metric), metric)
        return {
            key: meter_names(value, key) if key in _METER_LISTS else value
            for key, value in entry.items()
        }
