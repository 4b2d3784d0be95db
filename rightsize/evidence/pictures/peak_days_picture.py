"""The largest days, hour by hour, over what is usual."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rightsize.evidence.pictures.altair_late import alt
from rightsize.evidence.pictures.palette import FAINT, RANGE, WATER
from rightsize.evidence.pictures.picture import (
    PLAIN,
    PLOT_WIDTH,
    SIDE,
    SYSTEM,
    Compiled,
    compiled,
    dressed,
)
from rightsize.evidence.pictures.year_picture import largest_days
from rightsize.evidence.quantity import Units
from rightsize.evidence.site import YearReads

Array = NDArray[np.float64]


def peak_days_svg(year: YearReads, units: Units, *, label: str) -> str:
    """Hour by hour: the largest days over what is usual."""
    flow_factor = units.flow_per_gpm
    usual = flow_factor * _hour_quantiles_gpm(year.hour_gpm)
    spread = [
        {"hour": h, "low": usual[0, h], "middle": usual[1, h], "high": usual[2, h]}
        for h in range(24)
        if np.isfinite(usual[:, h]).all()
    ]
    days = [
        {
            "day": f"{place} {year.days[k].isoformat()}",
            "hour": h,
            "rank": min(place, 1),
            "flow": float(year.hour_gpm[k, h]) * flow_factor,
        }
        for place, k in enumerate(largest_days(year))
        for h in range(24)
        if np.isfinite(year.hour_gpm[k, h])
    ]
    return peak_days_chart(units.flow_unit).svg(
        {"spread": spread, "days": days}, name="peakdays", label=label
    )


def _hour_quantiles_gpm(hour_gpm: Array) -> Array:
    """Tenth, middle and ninetieth part of each clock hour over the year [gpm, 3 by 24]."""
    read = ~np.isnan(hour_gpm)
    found = np.full((3, 24), np.nan)
    for hour in range(24):
        if read[:, hour].any():
            found[:, hour] = np.quantile(hour_gpm[read[:, hour], hour], (0.1, 0.5, 0.9))
    return found


@cache
def peak_days_chart(flow_unit: str) -> Compiled:
    """The chart of `peak_days_svg`, without data."""

    def chart() -> Any:
        hour = alt.X(
            "hour:Q",
            title="hour of day",
            scale=alt.Scale(domain=[0, 23], nice=False),
            axis=alt.Axis(values=[0, 6, 12, 18, 23], grid=False),
        )
        flow = alt.Axis(minExtent=SIDE, maxExtent=SIDE, tickCount=4, labelExpr=PLAIN)
        spread = alt.Chart(alt.NamedData("spread"))
        usual = spread.mark_area(color=WATER, opacity=0.8).encode(
            x=hour, y=alt.Y("low:Q", title=None, axis=flow), y2="high:Q"
        )
        middle = spread.mark_line(color=FAINT, strokeWidth=1.4).encode(x=hour, y="middle:Q")
        lines = (
            alt.Chart(alt.NamedData("days"))
            .mark_line(color=RANGE)
            .encode(
                x=hour,
                y="flow:Q",
                detail="day:N",
                strokeWidth=alt.StrokeWidth(
                    "rank:O", legend=None, scale=alt.Scale(domain=[0, 1], range=[2.8, 1])
                ),
            )
        )
        return dressed(
            alt.layer(usual, middle, lines).properties(
                width=PLOT_WIDTH, height=132, title=f"hourly mean flow, {flow_unit}"
            )
        )

    return compiled(chart, ("spread", "days"), drawing=f"peak_days-{SYSTEM[flow_unit]}")
