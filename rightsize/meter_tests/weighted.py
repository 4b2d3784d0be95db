"""Registration of a tested meter over the account's own flows.

The test says by what factor the meter differs from a new one at each test flow; between the
test flows the factor is linear in log flow, and flat outside them. So a meter is never taken to
see what no meter of its kind sees.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from rightsize.meters.catalogue import Meter
from rightsize.meters.curve import registration_ratio

Array = NDArray[np.float64]

LOW_MEDIUM_HIGH: Final = (0.10, 0.65, 0.25)
"""Shares of actual volume at low, medium and high flow where an account's own flows are not
known: large meters in AWWA M36, 3rd ed., by *Water Loss Control*, 2nd ed., Table 12.6
(read)."""


def with_factor(points: pl.DataFrame, meters: Sequence[Meter]) -> pl.DataFrame:
    """Test points with `new_ratio`, of a new meter, and `factor`, tested over new [1].

    A flow that a new meter does not register has no factor.
    """
    index = points["meter_index"].to_numpy()
    flow = points["flow_gpm"].to_numpy()
    new = np.zeros(len(points))
    for row in np.unique(index):
        at = index == row
        new[at] = registration_ratio(flow[at], meters[int(row)])
    ratio = points["ratio"].to_numpy()
    factor = np.divide(ratio, new, out=np.full(len(new), np.nan), where=new > 0)
    return points.with_columns(
        new_ratio=pl.Series(new), factor=pl.Series(factor).fill_nan(None)
    )


def over_own_flows(
    points: pl.DataFrame, bands: pl.DataFrame, meters: Sequence[Meter]
) -> pl.DataFrame:
    """Weighted registration over each account's own flows.

    Parameters
    ----------
    points : frame
        Of `with_factor`: meter_id, meter_index, flow_gpm, factor.
    bands : frame
        meter_id, flow_gpm (the band's middle), volume_share (of actual volume [1]).

    Returns
    -------
    frame
        meter_id, new_weighted, tested_weighted [1], one row a meter with bands and factors.
    """
    known = points.drop_nulls("factor").with_columns(ln=pl.col("flow_gpm").log())
    held = (
        bands.join(known.select("meter_id", "meter_index").unique(), on="meter_id")
        .with_columns(ln=pl.col("flow_gpm").log())
        .sort("ln")
    )
    if held.is_empty():
        return _no_rows()
    sides = {
        side: known.select("meter_id", "ln", at="ln", of="factor").sort("ln")
        for side in ("backward", "forward")
    }
    for side, table in sides.items():
        held = held.join_asof(
            table.rename({"at": f"{side}_at", "of": f"{side}_of"}),
            on="ln",
            by="meter_id",
            strategy="backward" if side == "backward" else "forward",
            check_sortedness=False,
        )
    below, above = pl.col("backward_of"), pl.col("forward_of")
    run = pl.col("forward_at") - pl.col("backward_at")
    place = ((pl.col("ln") - pl.col("backward_at")) / run).fill_nan(0.0)
    between = below + (above - below) * place
    held = held.with_columns(factor=pl.coalesce(between, below, above))
    index, flow = held["meter_index"].to_numpy(), held["flow_gpm"].to_numpy()
    new = np.zeros(len(held))
    for row in np.unique(index):
        at = index == row
        new[at] = registration_ratio(flow[at], meters[int(row)])
    share = pl.col("volume_share")
    return (
        held.with_columns(new=pl.Series(new))
        .group_by("meter_id", maintain_order=True)
        .agg(
            new_weighted=(share * pl.col("new")).sum() / share.sum(),
            tested_weighted=(share * pl.col("new") * pl.col("factor")).sum() / share.sum(),
        )
        .sort("meter_id")
    )


def over_stated_flows(points: pl.DataFrame) -> pl.DataFrame:
    """The same with stated shares of low, medium and high flow, for meters without flows.

    The lowest test flow stands for low, the highest for high flow, those between for medium.
    """
    low, medium, high = LOW_MEDIUM_HIGH
    told = points.sort("meter_id", "flow_gpm").with_columns(
        place=pl.int_range(pl.len()).over("meter_id"), count=pl.len().over("meter_id")
    )
    weight = (
        pl.when(pl.col("place") == 0)
        .then(low)
        .when(pl.col("place") == pl.col("count") - 1)
        .then(high)
        .otherwise(medium / (pl.col("count") - 2))
    )
    return (
        told.with_columns(weight=weight)
        .group_by("meter_id", maintain_order=True)
        .agg(
            new_weighted=(pl.col("weight") * pl.col("new_ratio")).sum()
            / pl.col("weight").sum(),
            tested_weighted=(pl.col("weight") * pl.col("ratio")).sum() / pl.col("weight").sum(),
        )
    )


def _no_rows() -> pl.DataFrame:
    return pl.DataFrame(
        schema={
            "meter_id": pl.String,
            "new_weighted": pl.Float64,
            "tested_weighted": pl.Float64,
        }
    )
