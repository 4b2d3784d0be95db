"""Share of a year's volume in each calendar month, for bills by season and by tier."""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

DAYS: Final = 365  # trailing days, up to a meter's last: a year
FEWEST_DAYS: Final = 5
"""Days read of each calendar month without which months are taken as even (our convention)."""
MONTHS: Final = 12
_MONTH_DAYS: Final = (31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)  # [days] mean calendar


def month_volume_share(days: pl.DataFrame, rows: pl.DataFrame) -> NDArray[np.float64]:
    """Share of each calendar month [A, 12] of the meters in `rows`, in their order.

    Parameters
    ----------
    days : frame, one row a meter and local day read
        meter_id, day_on, day_gpm: its mean flow [gpm].
    rows : frame
        meter_id [A].

    Returns
    -------
    array [A, 12]
        Rows sum to 1; even months where a month was hardly read, or nothing was registered.
    """
    mine = days.join(rows.select("meter_id").with_row_index("row"), on="meter_id")
    age = (pl.col("day_on").max().over("meter_id") - pl.col("day_on")).dt.total_days()
    by_month = (
        mine.filter(age < DAYS)
        .group_by("row", month=pl.col("day_on").dt.month())
        .agg(gpm=pl.col("day_gpm").mean(), count=pl.len())
        .filter(pl.col("count") >= FEWEST_DAYS)
        .sort("row", "month")
    )
    flow = np.full((rows.height, MONTHS), np.nan)
    flow[by_month["row"].to_numpy(), by_month["month"].to_numpy() - 1] = by_month["gpm"]
    volume = np.maximum(flow, 0.0) * np.array(_MONTH_DAYS)
    total = volume.sum(axis=1, keepdims=True)
    is_known = np.isfinite(total) & (total > 0)
    share = np.divide(volume, total, out=np.full_like(volume, 1 / MONTHS), where=is_known)
    return np.asarray(share)
