"""The year: its calendar hour by hour, the volume of its days, the flow of its nights."""

from __future__ import annotations

import datetime as dt
from functools import cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rightsize.evidence.pictures.altair_late import alt
from rightsize.evidence.pictures.heat_image import data_uri, heat_pixels
from rightsize.evidence.pictures.palette import INK, NIGHT, RANGE, WATER
from rightsize.evidence.pictures.picture import (
    PLAIN,
    PLOT_WIDTH,
    SHORT,
    SIDE,
    SYSTEM,
    Compiled,
    Data,
    compiled,
    dressed,
)
from rightsize.evidence.quantity import Units
from rightsize.evidence.site import YearReads

Array = NDArray[np.float64]

PEAK_DAYS: Final = 5
_HEAT_HEIGHT: Final = 112
_TOP_QUANTILE: Final = 0.999  # one wild hour must not pale the rest of the year


def year_svg(year: YearReads, units: Units, *, label: str) -> str:
    """Calendar of a year, day by hour, over the volume of its days and its night flow."""
    flow_factor, volume_factor = units.flow_per_gpm, units.volume_per_gal
    days = [
        {
            "at": _ms(day),
            "gal": _plain(year.day_gal[k] * volume_factor if year.full_day[k] else np.nan),
            "night": _plain(year.night_gpm[k] * flow_factor),
        }
        for k, day in enumerate(year.days)
    ]
    largest = [
        {"at": _ms(year.days[k]), "gal": float(year.day_gal[k]) * volume_factor}
        for k in largest_days(year)
    ]
    data: Data = {
        "calendar": [{"url": data_uri(heat_pixels(year.hour_gpm, top_gpm=top_flow_gpm(year)))}],
        "span": [
            {"at": _ms(year.days[0]), "hour": 0},
            {"at": _ms(year.days[-1] + dt.timedelta(days=1)), "hour": 24},
        ],
        "days": days,
        "largest": largest,
    }
    return year_chart(units.flow_unit, units.volume_unit).svg(data, name="year", label=label)


def top_flow_gpm(year: YearReads) -> float:
    """Flow of the calendar's darkest color [gpm]."""
    read = year.hour_gpm[~np.isnan(year.hour_gpm)]
    if not read.size:
        return 0.0
    return float(np.quantile(read, _TOP_QUANTILE)) or float(read.max())


def largest_days(year: YearReads, count: int = PEAK_DAYS) -> list[int]:
    """Places of the days with the most volume, the largest first; only days well read."""
    volume = np.where(year.full_day, year.day_gal, -np.inf)
    order = np.argsort(-volume, kind="stable")[:count]
    return [int(k) for k in order if volume[k] > 0]


def _ms(day: dt.date) -> int:
    midnight = dt.datetime(day.year, day.month, day.day, tzinfo=dt.UTC)
    return int(midnight.timestamp() * 1000)


def _plain(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


@cache
def year_chart(flow_unit: str, volume_unit: str) -> Compiled:
    """The chart of `year_svg`, without data."""

    def chart() -> Any:
        scale = alt.Scale(type="utc", nice=False)
        bare = alt.Axis(title=None, labels=False, ticks=False, grid=False)
        months = alt.Axis(
            title=None, format="%b", tickCount="month", grid=True, labelFlush=False
        )
        side: Any = {"minExtent": SIDE, "maxExtent": SIDE}
        image = (
            alt.Chart(alt.NamedData("calendar"))
            .mark_image(width=PLOT_WIDTH, height=_HEAT_HEIGHT, aspect=False, smooth=False)
            .encode(x=alt.value(PLOT_WIDTH / 2), y=alt.value(_HEAT_HEIGHT / 2), url="url:N")
        )
        frame = (
            alt.Chart(alt.NamedData("span"))
            .mark_point(opacity=0)
            .encode(
                x=alt.X("at:T", scale=scale, axis=bare),
                y=alt.Y(
                    "hour:Q",
                    title=None,
                    scale=alt.Scale(domain=[0, 24], reverse=True, nice=False),
                    axis=alt.Axis(
                        values=[0, 6, 12, 18, 24],
                        labelExpr="datum.value + ' h'",
                        grid=False,
                        **side,
                    ),
                ),
            )
        )
        heat = alt.layer(image, frame).properties(
            width=PLOT_WIDTH,
            height=_HEAT_HEIGHT,
            title="days left to right, hours of the day top to bottom",
        )
        base = alt.Chart(alt.NamedData("days"))
        volume = base.mark_area(
            color=WATER, line={"color": RANGE, "strokeWidth": 1}, interpolate="step-after"
        ).encode(
            x=alt.X("at:T", scale=scale, axis=bare),
            y=alt.Y(
                "gal:Q",
                title=None,
                axis=alt.Axis(tickCount=3, labelExpr=SHORT, grid=True, **side),
            ),
        )
        peaks = (
            alt.Chart(alt.NamedData("largest"))
            .mark_point(
                shape="triangle-down", filled=True, color=INK, size=34, opacity=1, yOffset=-6
            )
            .encode(x=alt.X("at:T", scale=scale), y="gal:Q")
        )
        night = base.mark_line(color=NIGHT, strokeWidth=1.3, interpolate="step-after").encode(
            x=alt.X("at:T", scale=scale, axis=months),
            y=alt.Y(
                "night:Q",
                title=None,
                scale=alt.Scale(zero=True),
                axis=alt.Axis(tickCount=2, labelExpr=PLAIN, grid=True, **side),
            ),
        )
        return dressed(
            alt.vconcat(
                heat,
                alt.layer(volume, peaks).properties(
                    width=PLOT_WIDTH,
                    height=62,
                    title=f"{volume_unit} per day; triangles: five highest-use days",
                ),
                night.properties(
                    width=PLOT_WIDTH,
                    height=40,
                    title=f"lowest hourly flow at night (0 to 6 h), {flow_unit}",
                ),
                spacing=7,
            ).resolve_scale(x="shared")
        )

    return compiled(
        chart, ("calendar", "span", "days", "largest"), drawing=f"year-{SYSTEM[flow_unit]}"
    )
