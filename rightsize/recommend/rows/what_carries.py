"""What carries a change: steady flow that may be a leak, or wear at set rates."""

from __future__ import annotations

from typing import Final

import polars as pl

from rightsize.wording import Wording

MUCH_OF_NET: Final = 0.5
"""[1] of the net benefit: if less is left without steady flow, the reason says so (ours)."""


def carried(said: Wording) -> pl.Expr:
    """What carries a change that would not pay without it."""
    return pl.concat_str(_leak_carries(said), _wear_carries(said))


def _wear_carries(said: Wording) -> pl.Expr:
    """What would be left if neither meter wore, where the change would not pay then."""
    left = pl.col("net_benefit_usd_per_year") - pl.col("wear_gain_usd_per_year")
    text = pl.format(
        "; wear at the rates that are set carries this change: if neither meter wore, the net "
        "benefit would be {} per year",
        said.money(left),
    )
    return (
        pl.when((left <= 0) & (pl.col("net_benefit_usd_per_year") > 0))
        .then(text)
        .otherwise(pl.lit(""))
    )


def _leak_carries(said: Wording) -> pl.Expr:
    """What would be left if the steady flow stopped, where that is little or nothing."""
    left = pl.col("net_benefit_without_leak_usd_per_year")
    steady = pl.col("steady_gain_usd_per_year")
    brings = "brings {} of the {} revenue gain in the first year"
    flow = "; steady flow that no read shows, such as a leak, "
    ends = "if it is repaired at once, the net benefit is {} per year"
    figures = (
        said.money(steady), said.money(pl.col("revenue_gain_usd_per_year")), said.money(left)
    )  # fmt: skip
    all_of_it = pl.format(f"{flow}carries this change: it {brings}; {ends}", *figures)
    much_of_it = pl.format(f"{flow}{brings}; {ends}", *figures)
    is_much = left < MUCH_OF_NET * pl.col("net_benefit_usd_per_year")
    return (
        pl.when((left <= 0) & (steady > 0))
        .then(all_of_it)
        .when(is_much & (steady > 0))
        .then(much_of_it)
        .otherwise(pl.lit(""))
    )
