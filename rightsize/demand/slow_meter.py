"""A meter that registers less every month than accounts alike: wear, or use that falls."""

from __future__ import annotations

from typing import Final

import polars as pl

from rightsize.demand.reading_findings import FINDING_SCHEMA
from rightsize.findings import FINDING_CODES

FEWEST_MONTHS: Final = 9
FEWEST_ALIKE: Final = 5
LEAST_FALL_SHARE: Final = 0.2
"""Decrease over a year at which a meter is reported (our convention)."""
LEAST_STEADINESS: Final = 4.0
"""Slope over its standard error from which a fall is steady, not a swing (our convention)."""


def slow_meter_findings(monthly: pl.DataFrame) -> pl.DataFrame:
    """Meters whose registration fell steadily against the accounts of their class.

    Parameters
    ----------
    monthly : frame, one row a meter in service and month
        account_id, meter_id, customer_class, month (date), flow_gpm: mean registered flow of
        the month [gpm].

    Returns
    -------
    frame
        Columns of the table finding.

    Notes
    -----
    The season is taken off by the middle account of the class, month by month, the level by
    each meter's own mean; what is left of log flow is fitted by a line. A falling line tells
    a slow meter from a customer who uses less no better than a crew can: it says where to look.
    """
    log_flow = pl.col("flow_gpm").log()
    centred = (
        monthly.filter(pl.col("flow_gpm") > 0)
        .with_columns(level=log_flow - log_flow.mean().over("account_id", "meter_id"))
        .with_columns(
            season=pl.col("level").median().over("customer_class", "month"),
            alike=pl.len().over("customer_class", "month"),
            at=(pl.col("month").dt.year() * 12 + pl.col("month").dt.month()).cast(pl.Float64),
        )
        .filter(pl.col("alike") >= FEWEST_ALIKE)
        .with_columns(left=pl.col("level") - pl.col("season"))
    )
    lines = (
        centred.group_by("account_id", "meter_id")
        .agg(
            month_count=pl.len(),
            slope=pl.cov("at", "left") / pl.col("at").var(),
            spread=pl.col("left").var(),
            span=pl.col("at").var(),
        )
        .filter(pl.col("month_count") >= FEWEST_MONTHS, pl.col("span") > 0)
        .with_columns(
            error=(
                (pl.col("spread") - pl.col("slope") ** 2 * pl.col("span")).clip(0)
                / pl.col("span")
                / (pl.col("month_count") - 2)
            ).sqrt(),
            fall_share=1 - (12 * pl.col("slope")).exp(),
        )
        .filter(
            pl.col("fall_share") >= LEAST_FALL_SHARE,
            -pl.col("slope") >= LEAST_STEADINESS * pl.col("error"),
        )
        .sort("account_id", "meter_id")
    )
    return lines.select(
        "account_id",
        "meter_id",
        code=pl.lit("slow_meter"),
        severity=pl.lit(FINDING_CODES["slow_meter"].severity),
        message=pl.format(
            "registration falls {} % per year relative to its class, steadily over {} months: "
            "slow meter or declining use?",
            (pl.col("fall_share") * 100).round(0).cast(pl.Int64),
            pl.col("month_count"),
        ),
        evidence=pl.struct("fall_share", "month_count").struct.json_encode(),
    ).cast(FINDING_SCHEMA)
