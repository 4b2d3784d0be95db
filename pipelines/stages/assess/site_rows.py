"""What the meter list says of the sites of a block, as the decision needs it."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipelines.configuration.judged_by import JudgedBy
from pipelines.configuration.site_record import record_of
from rightsize.contracts.sites import SiteBlock
from rightsize.meters.uncertainty.installed_curves import PlacedCurves


def installed_of(rows: pl.DataFrame, fleet: JudgedBy) -> PlacedCurves | None:
    """Curves of installed meters from tests or stated wear; None if there are none."""
    if fleet.installed is None:
        return None
    return PlacedCurves(fleet.installed, rows["curve_index"].to_numpy().astype(np.int64))


def site_block(rows: pl.DataFrame) -> SiteBlock:
    """Site data from meters.csv for a block, as the decision needs it."""
    return SiteBlock(
        service_kind=tuple(rows["service_kind"].fill_null("unknown")),
        customer_class=tuple(rows["customer_class"]),
        service_line_in=_known(rows, "service_line_in"),
        spare_head_psi=_known(rows, "spare_head_psi"),
        is_critical=rows["is_critical"].fill_null(False).to_numpy().astype(bool),
        area=tuple(rows["area"]),
        age_years=_known(rows, "age_years"),
        meter_index=rows["meter_index"].to_numpy().astype(np.int64),
        fire_arrangement=tuple(rows["fire_arrangement"]),
        record=record_of(rows),
        last_use_on=tuple(
            rows.select(
                pl.when("is_stopped").then(pl.col("last_use_at").dt.strftime("%Y-%m-%d"))
            ).to_series()
        ),
    )


def _known(rows: pl.DataFrame, name: str) -> np.ndarray:
    return rows[name].cast(pl.Float64).fill_null(np.nan).to_numpy()
