"""Lots of small meters: how many to test, which ones, and what their tests say of the rest."""

from __future__ import annotations

import hashlib
import itertools
from typing import Any, Final

import polars as pl

from rightsize.meter_tests.acceptance import (
    Plan,
    acceptance_probability,
    bad_share_accepted,
    plan_of,
)
from rightsize.meter_tests.lot_estimate import bad_share_interval, mean_interval
from rightsize.meters.uncertainty.shrinkage import AGE_BANDS_YEARS

LOT_KEY: Final = ("meter_type", "size_in", "grade", "age_group")
LEAST_IN_LOT: Final = 2  # a single meter is tested itself
_OFTEN: Final = 0.95  # a lot that is accepted so often is a good one (common practice)
_RARELY: Final = 0.10  # a lot that is accepted so seldom is a bad one (common practice)


def age_group(lot_by: str) -> pl.Expr:
    """Name of the age band or year of installation that a meter's lot goes by."""
    if lot_by == "install_year":
        return pl.col("installed_on").dt.year().cast(pl.String).fill_null("not recorded")
    last = AGE_BANDS_YEARS[-1]
    names = [
        pl.when(pl.col("age_years") < high).then(pl.lit(f"{low:g} to {high:g} years"))
        for low, high in itertools.pairwise(AGE_BANDS_YEARS)
    ]
    oldest = pl.when(pl.col("age_years") >= last).then(pl.lit(f"{last:g} years and more"))
    return pl.coalesce(*names, oldest, pl.lit("not recorded"))


def lot_frame(
    small: pl.DataFrame, tested: pl.DataFrame, *, aql_pct: float, level: str
) -> pl.DataFrame:
    """One row a lot: its plan, what the plan accepts, and what tests say of the lot.

    Parameters
    ----------
    small : frame
        Small meters in service: meter_id and the columns of `LOT_KEY`.
    tested : frame
        Tested meters: meter_id, is_out (out of limits), tested_weighted [1].

    Returns
    -------
    frame
        Lots with `LEAST_IN_LOT` meters and more, the largest first.
    """
    counted = (
        small.join(
            tested.select("meter_id", "is_out", "tested_weighted"), on="meter_id", how="left"
        )
        .group_by(LOT_KEY)
        .agg(
            lot_count=pl.len(),
            tested_count=pl.col("is_out").count(),
            out_count=pl.col("is_out").sum(),
            values=pl.col("tested_weighted").drop_nulls(),
        )
        .filter(pl.col("lot_count") >= LEAST_IN_LOT)
        .sort(["lot_count", *LOT_KEY], descending=[True, *[False] * len(LOT_KEY)])
    )
    rows = [_lot(row, aql_pct, level) for row in counted.to_dicts()]
    schema = {name: small.schema[name] for name in LOT_KEY}
    return pl.DataFrame(rows, schema={**schema, **_COLUMNS}, orient="row")


_COLUMNS: Final[dict[str, Any]] = {
    "lot_count": pl.Int64, "code_letter": pl.String, "sample_count": pl.Int64,
    "accept_count": pl.Int64, "accepted_at_aql_share": pl.Float64,
    "good_lot_pct": pl.Float64, "bad_lot_pct": pl.Float64, "tested_count": pl.Int64,
    "out_count": pl.Int64, "decision": pl.String, "out_pct": pl.Float64,
    "out_low_pct": pl.Float64, "out_high_pct": pl.Float64, "mean_pct": pl.Float64,
    "mean_low_pct": pl.Float64, "mean_high_pct": pl.Float64,
}  # fmt: skip


def _lot(row: dict[str, Any], aql_pct: float, level: str) -> dict[str, Any]:
    size, tested, out = row["lot_count"], row["tested_count"], row["out_count"]
    plan = plan_of(size, aql_pct, level)
    at_aql = acceptance_probability(plan, round(size * aql_pct / 100), lot_count=size)
    found = {
        **{name: row[name] for name in LOT_KEY},
        "lot_count": size,
        "code_letter": plan.letter,
        "sample_count": plan.sample_count,
        "accept_count": plan.accept,
        "accepted_at_aql_share": float(at_aql),
        "good_lot_pct": 100 * bad_share_accepted(plan, size, _OFTEN),
        "bad_lot_pct": 100 * bad_share_accepted(plan, size, _RARELY),
        "tested_count": tested,
        "out_count": out,
        "decision": decision(plan, tested, out),
    }
    if tested:
        low, high = bad_share_interval(out, tested, lot_count=size)
        found |= {
            "out_pct": 100 * out / tested, "out_low_pct": 100 * low, "out_high_pct": 100 * high
        }  # fmt: skip
    if row["values"]:
        mean, low, high = mean_interval(row["values"], lot_count=size)
        found |= {
            "mean_pct": 100 * mean, "mean_low_pct": 100 * low, "mean_high_pct": 100 * high
        }  # fmt: skip
    return {name: None if value != value else value for name, value in found.items()}


def decision(plan: Plan, tested_count: int, out_count: int) -> str:
    """What the plan says of the lot: accepted, rejected, or not decided yet.

    A lot is rejected as soon as too many are out of limits, and accepted once the whole
    sample is tested.
    """
    if out_count > plan.accept:
        return "rejected"
    return "accepted" if tested_count >= plan.sample_count else "not decided"


def sample_frame(
    small: pl.DataFrame, tested: pl.DataFrame, lots: pl.DataFrame, *, seed: str
) -> pl.DataFrame:
    """The meters to draw from each lot: a random order that the seed repeats.

    Meters already tested count toward the sample; what is missing is drawn.

    Returns
    -------
    frame
        Rows of `small` with draw_order, 1 and on in each lot.
    """
    wanted = lots.with_columns(
        missing=(pl.col("sample_count") - pl.col("tested_count")).clip(0)
    ).filter(pl.col("decision") == "not decided")
    open_lots = small.join(
        wanted.select(*LOT_KEY, "missing"), on=LOT_KEY, how="inner", nulls_equal=True
    ).join(tested.select("meter_id"), on="meter_id", how="anti")
    salt = hashlib.blake2b(seed.encode(), digest_size=32).digest()
    keys = [
        hashlib.blake2b(name.encode("utf-8", "surrogatepass"), key=salt, digest_size=8).digest()
        for name in open_lots["meter_id"]
    ]
    drawn = open_lots.with_columns(key=pl.Series(keys, dtype=pl.Binary)).sort("key")
    return (
        drawn.with_columns(draw_order=1 + pl.int_range(pl.len()).over(LOT_KEY))
        .filter(pl.col("draw_order") <= pl.col("missing"))
        .drop("key", "missing")
        .sort([*LOT_KEY, "draw_order"])
    )
