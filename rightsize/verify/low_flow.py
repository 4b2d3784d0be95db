"""Low flow that the old meter hardly measured: registered before and after the change-out.

Below its normal minimum flow a meter may register less than it should. What a better meter
registers there beyond the old one is set beside what the inference of that time held for the
actual volume there. A mean over an interval is not a flow: short draws of high flow show as low
means too, before as after. So the difference tells, not the level.
"""

from __future__ import annotations

import datetime as dt
from typing import Final

import polars as pl

from rightsize.verify.logged import MENDED

KEY: Final = ("account_id", "removed_meter_id", "changed_on", "kind")
SIDES: Final = ("before", "after")
LEAST_MINUTES: Final = 60 * 1440  # two months of reads on each side (ours)
MOST_MONTHS: Final = 12
MINUTES_PER_YEAR: Final = 365.25 * 1440
LEAST_SEASON_MONTHS: Final = (
    3  # months of the same season before; otherwise all of a year (ours)
)
TOLD_CODES: Final = ("leak_repaired", "too_few_controls", "too_few_periods_before")
"""Codes that leave the low-flow bands as they are."""


def case_months(
    rows: pl.DataFrame, limits: pl.DataFrame, *, data_from: dt.date, data_to: dt.date
) -> pl.DataFrame:
    """Months of each change-out whose low flow is compared.

    The months after are the first twelve whole ones; those before are of the same season, a
    year earlier, where there are three of them, otherwise the twelve before the change.

    Parameters
    ----------
    rows : frame
        Rows of realised_gain.
    limits : frame
        account_id, removed_meter_id, limit_gpm: the old meter's normal minimum flow.
    data_from, data_to : date
        First and last day of reads.

    Returns
    -------
    frame
        case_number (row of `rows`), side (before, after), meter_id, month (`2025-01`),
        limit_gpm.
    """
    is_told = pl.col("code").is_null() | pl.col("code").is_in(TOLD_CODES)
    cases = (
        rows.with_row_index("case_number")
        .filter(is_told & ~pl.col("kind").is_in(MENDED))
        .filter(pl.col("meter_id") != pl.col("removed_meter_id"))
        .join(limits.drop_nulls(), on=["account_id", "removed_meter_id"], how="inner")
    )
    number = 12 * pl.col("changed_on").dt.year() + pl.col("changed_on").dt.month() - 1
    first, last = (12 * day.year + day.month - 1 for day in (data_from, data_to))
    later = _next_job(rows)
    parts: list[tuple[int, str, str, str, float]] = []
    for case in cases.with_columns(month_number=number).iter_rows(named=True):
        change, at = case["month_number"], case["case_number"]
        after = range(change + 1, min(change + MOST_MONTHS, last, later[at] - 1) + 1)
        season = [m - MOST_MONTHS for m in after if first <= m - MOST_MONTHS < change]
        before = (
            season
            if len(season) >= LEAST_SEASON_MONTHS
            else range(change - MOST_MONTHS, change)
        )
        limit = case["limit_gpm"]
        parts += [(at, "before", case["removed_meter_id"], _name(m), limit) for m in before]
        parts += [(at, "after", case["meter_id"], _name(m), limit) for m in after]
    schema = {
        "case_number": pl.UInt32, "side": pl.String, "meter_id": pl.String,
        "month": pl.String, "limit_gpm": pl.Float64,
    }  # fmt: skip
    return pl.DataFrame(parts, schema=schema, orient="row")


def _next_job(rows: pl.DataFrame) -> list[int]:
    """Month number of the next job at each row's account; far away if there is none."""
    number = (
        12 * rows["changed_on"].dt.year().cast(pl.Int64) + rows["changed_on"].dt.month() - 1
    )
    made = rows.select("account_id", "kind").with_columns(number=number)
    by_account: dict[str, list[int]] = {}
    for account, kind, month in made.iter_rows():
        if kind != "test":
            by_account.setdefault(account, []).append(month)
    far = 10**6
    return [
        min((m for m in by_account.get(account, []) if m > month), default=far)
        for account, _, month in made.iter_rows()
    ]


def _name(number: int) -> str:
    return f"{number // 12:04d}-{number % 12 + 1:02d}"


def with_low_flow(
    rows: pl.DataFrame, months: pl.DataFrame, found: pl.DataFrame
) -> pl.DataFrame:
    """The rows with low_flow_limit_gpm and the low flow registered before and after.

    Parameters
    ----------
    months : frame
        As `case_months` makes them.
    found : frame
        case_number, side, low_gal, minutes.
    """
    yearly = found.filter(pl.col("minutes") >= LEAST_MINUTES).with_columns(
        gal_per_year=pl.col("low_gal") / pl.col("minutes") * MINUTES_PER_YEAR
    )
    sides = [
        yearly.filter(pl.col("side") == side).select(
            pl.col("case_number").cast(pl.UInt32),
            pl.col("gal_per_year").alias(f"low_flow_{side}_gal_per_year"),
        )
        for side in SIDES
    ]
    limit = months.group_by("case_number").agg(low_flow_limit_gpm=pl.col("limit_gpm").first())
    made = ("low_flow_limit_gpm", *(f"low_flow_{side}_gal_per_year" for side in SIDES))
    numbered = rows.drop(made, strict=False).with_row_index("case_number")
    for part in (limit, *sides):
        numbered = numbered.join(part, on="case_number", how="left", maintain_order="left")
    return numbered.drop("case_number")
