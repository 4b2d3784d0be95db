"""Options of a program as columns, and the limits on their sum."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from rightsize.errors import ContractError

Array = NDArray[np.float64]
Rows = NDArray[np.int64]

NEEDED: Final = (
    "account_id",
    "meter_id",
    "meter_type",
    "size_in",
    "change_cost_usd",
    "net_present_value_usd",
    "net_benefit_usd_per_year",
)
LOW_BENEFIT: Final = "net_benefit_low_usd_per_year"

# Hours of a two-person crew on site by size [in]: common practice, no source.
CREW_HOURS_BY_SIZE: Final = ((1.0, 1.5), (2.0, 3.0), (4.0, 8.0), (math.inf, 16.0))


@dataclass(frozen=True)
class Lots:
    """How work is bundled by area: a crew that goes to an area does several change-outs.

    Accounts without an area form one lot of their own.
    """

    mobilise_usd: float = 0.0  # cost of opening an area, out of the budget
    min_change_count: int = 1  # fewest change-outs in an area that is opened
    max_area_count: int | None = None  # most areas opened

    @property
    def is_active(self) -> bool:
        """Whether the area rules have any effect."""
        return (
            self.mobilise_usd > 0
            or self.min_change_count > 1
            or self.max_area_count is not None
        )


@dataclass(frozen=True)
class Limits:
    """Limits of a program."""

    budget_usd: float
    crew_hours: float = math.inf
    lots: Lots = Lots()


@dataclass(frozen=True)
class Options:
    """N change-outs that may be chosen; options of one meter exclude each other."""

    row: Rows  # [N] row of the frame they came from
    meter: Rows  # [N] meter in service
    area: Rows  # [N] lot
    cost_usd: Array  # [N]
    crew_hours: Array  # [N]
    value_usd: Array  # [N] present value, as weighed by the certainty preference; positive
    benefit_usd_per_year: Array  # [N] expected

    @property
    def size(self) -> int:
        """Number of options."""
        return len(self.row)

    def value_of(self, chosen: Rows, lots: Lots) -> float:
        """Present value of a choice, less the opening of its areas [USD]."""
        return math.fsum(self.value_usd[chosen]) - self.opened(chosen) * lots.mobilise_usd

    def spent(self, chosen: Rows, lots: Lots) -> float:
        """Cost of a choice, including the opening of its areas [USD]."""
        return math.fsum(self.cost_usd[chosen]) + self.opened(chosen) * lots.mobilise_usd

    def opened(self, chosen: Rows) -> int:
        """Areas that a choice opens."""
        return len(np.unique(self.area[chosen]))

    def keeps(self, chosen: Rows, limits: Limits) -> bool:
        """Whether a choice stays within every limit."""
        of_area = np.unique(self.area[chosen], return_counts=True)[1]
        most = limits.lots.max_area_count
        return (
            self.spent(chosen, limits.lots) <= limits.budget_usd
            and math.fsum(self.crew_hours[chosen]) <= limits.crew_hours
            and len(np.unique(self.meter[chosen])) == len(chosen)
            and bool(np.all(of_area >= limits.lots.min_change_count))
            and (most is None or len(of_area) <= most)
        )


def as_options(candidates: pl.DataFrame, *, certainty_share: float) -> Options:
    """Options worth choosing: positive value, and not dominated by one of the same meter.

    Parameters
    ----------
    candidates : frame
        See `choose_program`.
    certainty_share : float
        0 counts expected benefit, 1 its low end.

    Raises
    ------
    ContractError
        If a column is missing or a cost is negative or unknown.
    """
    needed = [*NEEDED, *([LOW_BENEFIT] if certainty_share > 0 else [])]
    if missing := [c for c in needed if c not in candidates.columns]:
        raise ContractError(f"candidates of a program lack column {missing[0]}")
    frame = candidates.with_row_index("_row").with_columns(
        _optional(candidates, "area", pl.lit("")).fill_null("").alias("_area"),
        _optional(candidates, "crew_hours", crew_hours("size_in")).alias("_hours"),
        _value(certainty_share).alias("_value"),
    )
    bad = frame.filter(~(pl.col("change_cost_usd") >= 0) | pl.col("change_cost_usd").is_null())
    if bad.height:
        raise ContractError(
            f"change_cost_usd of account {bad['account_id'][0]} must be 0 or more, "
            f"got {bad['change_cost_usd'][0]}"
        )
    frame = _unbeaten(frame.filter(pl.col("_value") > 0))
    return Options(
        row=frame["_row"].to_numpy().astype(np.int64),
        meter=_codes(frame.select(pl.struct("account_id", "meter_id")).to_series()),
        area=_codes(frame["_area"]),
        cost_usd=frame["change_cost_usd"].cast(pl.Float64).to_numpy(),
        crew_hours=frame["_hours"].cast(pl.Float64).to_numpy(),
        value_usd=frame["_value"].to_numpy(),
        benefit_usd_per_year=frame["net_benefit_usd_per_year"].cast(pl.Float64).to_numpy(),
    )


def _optional(frame: pl.DataFrame, name: str, default: pl.Expr) -> pl.Expr:
    return pl.col(name) if name in frame.columns else default


def crew_hours(size_column: str) -> pl.Expr:
    """Hours on site of a change-out by size of the new meter."""
    size = pl.col(size_column)
    expression: pl.Expr = pl.lit(CREW_HOURS_BY_SIZE[-1][1])
    for limit, hours in reversed(CREW_HOURS_BY_SIZE[:-1]):
        expression = pl.when(size <= limit + 1e-6).then(pl.lit(hours)).otherwise(expression)
    return expression


def _value(certainty_share: float) -> pl.Expr:
    """Present value with the yearly benefit moved toward its low end."""
    value = pl.col("net_present_value_usd").cast(pl.Float64)
    if certainty_share == 0:
        return value
    mean = pl.col("net_benefit_usd_per_year")
    moved = (1 - certainty_share) * mean + certainty_share * pl.col(LOW_BENEFIT)
    return pl.when(mean != 0).then(value * moved / mean).otherwise(value)


def _unbeaten(frame: pl.DataFrame) -> pl.DataFrame:
    """Options not dominated by another of the same meter in value, cost and time."""
    ordered = frame.sort(
        ["account_id", "meter_id", "change_cost_usd", "_hours", "_value", "_row"],
        descending=[False, False, False, False, True, False],
        maintain_order=True,
    )
    best_before = (
        pl.col("_value").cum_max().shift(1).over("account_id", "meter_id").fill_null(0.0)
    )
    # Hours follow size and cost follows hours in practice; where they do not, keep the option.
    least_hours = (
        pl.col("_hours").cum_min().shift(1).over("account_id", "meter_id").fill_null(math.inf)
    )
    kept = (pl.col("_value") > best_before) | (pl.col("_hours") < least_hours)
    return ordered.filter(kept).sort("_row")


def _codes(values: pl.Series) -> Rows:
    return (values.rank("dense").cast(pl.Int64) - 1).to_numpy()


def rows_of(values: Iterable[int]) -> Rows:
    """Sorted rows."""
    return np.array(sorted(values), dtype=np.int64)
