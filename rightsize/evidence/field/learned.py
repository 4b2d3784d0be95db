"""What logs have taken off the range of gains so far, per dollar."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Final

import polars as pl

COLUMNS: Final = {
    "account_id": pl.String,
    "cost_usd": pl.Float64,
    "range_before_usd": pl.Float64,
    "range_after_usd": pl.Float64,
    "benefit_before_usd": pl.Float64,
    "benefit_after_usd": pl.Float64,
    "action_before": pl.String,
    "action_after": pl.String,
}
"""One row a logged account: cost of its logs; width of the 90 % range of net benefit a year,
null where no meter is named; net benefit a year of what is changed; what the sweep said to do.
"""
_NOT_NEGATIVE: Final = ("cost_usd", "range_before_usd", "range_after_usd")


@dataclass(frozen=True)
class Learned:
    """Logged accounts, those whose range shrank most first."""

    rows: pl.DataFrame  # COLUMNS, taken_off_usd and taken_off_per_usd (null without a cost)

    @property
    def cost_usd(self) -> float:
        """Cost of all logs."""
        return float(self.rows["cost_usd"].sum())

    @property
    def taken_off_usd(self) -> float:
        """Width taken off all ranges, a year; one that grew counts against it."""
        return float(self.rows["taken_off_usd"].sum())

    @property
    def taken_off_per_usd(self) -> float | None:
        """Width taken off for each dollar of logs; None where they cost nothing."""
        return self.taken_off_usd / self.cost_usd if self.cost_usd > 0 else None

    @property
    def benefit_usd(self) -> tuple[float, float]:
        """Net benefit a year of all that is changed, before and now."""
        before, after = (self.rows[f"benefit_{word}_usd"].sum() for word in ("before", "after"))
        return float(before), float(after)

    @property
    def changed_count(self) -> int:
        """Accounts with another action than before."""
        return self.rows.filter(pl.col("action_before") != pl.col("action_after")).height

    @property
    def median_share(self) -> float | None:
        """Median share of its range that a log took off; None without one."""
        before = pl.col("range_before_usd")
        shares = self.rows.filter(before > 0).select(pl.col("taken_off_usd") / before)
        found: Any = shares.to_series().median()
        return None if found is None else float(found)

    def in_codes(self, code: Callable[[str], str]) -> Learned:
        """The same with a code for each account."""
        codes = [code(account) for account in self.rows["account_id"]]
        return replace(self, rows=self.rows.with_columns(account_id=pl.Series(codes)))

    @property
    def drawn(self) -> list[dict[str, Any]]:
        """Rows for the picture."""
        return (
            self.rows.drop_nulls("taken_off_usd").select(
                account="account_id", before_usd="range_before_usd", after_usd="range_after_usd"
            )
            .to_dicts()
        )  # fmt: skip


def learned_of(frame: pl.DataFrame) -> Learned:
    """The record of logged accounts.

    Raises
    ------
    ValueError
        If a column is missing, or a cost or width is negative.
    """
    missing = [name for name in COLUMNS if name not in frame.columns]
    if missing:
        raise ValueError(f"logged accounts lack the columns {', '.join(missing)}")
    rows = frame.select(pl.col(name).cast(kind) for name, kind in COLUMNS.items())
    if rows.select(pl.any_horizontal(pl.col(_NOT_NEGATIVE) < 0).any()).item():
        raise ValueError("costs and widths of ranges must not be negative")
    taken = pl.col("range_before_usd") - pl.col("range_after_usd")
    return Learned(
        rows.with_columns(
            taken_off_usd=taken,
            taken_off_per_usd=pl.when(pl.col("cost_usd") > 0).then(taken / pl.col("cost_usd")),
        ).sort(["taken_off_usd", "account_id"], descending=[True, False], nulls_last=True)
    )
