"""How long each flow lasts: the flow-duration curve with its range, and the peaks."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any, Final

import numpy as np

from rightsize.evidence.pictures.altair_late import alt
from rightsize.evidence.pictures.meter_marks import (
    SHORT_WHO,
    WHO,
    meters_shown,
    who_color,
    who_dash,
)
from rightsize.evidence.pictures.palette import CARD, INK, INSTALLED, RANGE, RECOMMENDED, WATER
from rightsize.evidence.pictures.picture import (
    LOG,
    PLAIN,
    PLOT_WIDTH,
    SIDE,
    SYSTEM,
    Compiled,
    Data,
    compiled,
    dressed,
)
from rightsize.evidence.quantity import Units
from rightsize.evidence.site import Row, SiteEvidence

_RARE_PCT: Final = 1e-4
_PEAK_PCT: Final = 1e-3  # the peak is the 10 s flow exceeded 0.001 % of the time
_SUSTAINED_PCT: Final = 0.5


def exceedance(bands: Sequence[Row]) -> list[dict[str, float]]:
    """Share of time that each flow is exceeded, with the range, from the flow bands.

    Parameters
    ----------
    bands
        Rows of flow_band of one meter, in any order.

    Returns
    -------
    list, one a band edge, rising flow
        flow_gpm; exceeded_pct and its low and high end [% of time]. The ends add up each
        band's own 90 % interval, as if all bands erred together: they are at least as wide
        as the 90 % interval of the sum.
    """
    rows = sorted(bands, key=lambda b: b["band_from_gpm"])
    time, low, high = (
        np.array(column) for column in zip(*map(_time_shares, rows), strict=True)
    )
    found = []
    for k, row in enumerate(rows):
        found.append(
            {
                "flow_gpm": row["band_from_gpm"],
                "exceeded_pct": 100 * float(time[k:].sum()),
                "low_pct": 100 * float(low[k:].sum()),
                "high_pct": min(100.0, 100 * float(high[k:].sum())),
            }
        )
    return found


def _time_shares(band: Row) -> tuple[float, float, float]:
    """Time share of a band at best estimate and at both ends of its volume's range."""
    time, volume = band["time_share"], band["actual_volume_share"]
    if volume <= 0:
        return time, time, time
    return (
        time,
        min(time, time * band["actual_volume_low_share"] / volume),
        max(time, time * band["actual_volume_high_share"] / volume),
    )


def duration_svg(site: SiteEvidence, units: Units, *, label: str) -> str:
    """Flow-duration curve with its range, the peaks, and the limits of each meter."""
    flow_factor = units.flow_per_gpm
    curve = [
        {
            "flow": point["flow_gpm"] * flow_factor,
            "pct": point["exceeded_pct"],
            "low": max(point["low_pct"], _RARE_PCT),
            "high": max(point["high_pct"], _RARE_PCT),
        }
        for point in exceedance(site.bands)
        if point["exceeded_pct"] >= _RARE_PCT
    ]
    meters = [
        {
            "who": who,
            "flow": flow_gpm * flow_factor,
            "kind": kind,
            "text": f"{SHORT_WHO[who]}: {kind}",
        }
        for who, m in meters_shown(site)
        for kind, flow_gpm in (("max. continuous", m.continuous_gpm), ("SMOC", m.smoc_gpm))
    ]
    marks = _duration_marks(site, flow_factor)
    data: Data = {"curve": curve, "meters": meters, "marks": marks}
    return duration_chart(units.flow_unit).svg(data, name="duration", label=label)


def _duration_marks(site: SiteEvidence, factor: float) -> list[dict[str, Any]]:
    row, profile = site.recommendation, site.profile or {}
    found: list[dict[str, Any]] = []
    for pct, stem, name, rows in (
        (_PEAK_PCT, "peak_10s", "peak, 10 s", row),
        (_SUSTAINED_PCT, "sustained_60min", "sustained, 60 min", profile),
    ):
        value, low, high = (rows.get(f"{stem}_{end}gpm") for end in ("", "low_", "high_"))
        if value and low and high:
            found.append(
                {
                    "pct": pct,
                    "flow": value * factor,
                    "low": low * factor,
                    "high": high * factor,
                    "name": name,
                }
            )
    return found


@cache
def duration_chart(flow_unit: str) -> Compiled:
    """The chart of `duration_svg`, without data."""

    def chart() -> Any:
        time = alt.X(
            "pct:Q",
            title="% of time flow is exceeded",
            scale=alt.Scale(type="log", domain=[_RARE_PCT, 100], nice=False, clamp=True),
            axis=alt.Axis(values=[1e-3, 1e-2, 0.1, 1, 10, 100], grid=True, labelExpr=PLAIN),
        )
        flow = alt.Y(
            "flow:Q",
            title=None,
            scale=alt.Scale(type="log", nice=False),
            axis=alt.Axis(
                minExtent=SIDE, maxExtent=SIDE, labelExpr=LOG, labelOverlap=True, grid=False
            ),
        )
        base = alt.Chart(alt.NamedData("curve"))
        band = base.mark_area(color=WATER, opacity=0.55, orient="horizontal").encode(
            x=alt.X("low:Q"), x2="high:Q", y=flow
        )
        line = base.mark_line(color=RANGE, strokeWidth=2.2).encode(
            x=time, y=flow, order="flow:Q"
        )
        meters = (
            alt.Chart(alt.NamedData("meters"))
            .mark_rule(strokeWidth=1.6)
            .encode(
                y="flow:Q",
                color=alt.Color("who:N", scale=who_color(), legend=None),
                strokeDash=alt.StrokeDash("who:N", scale=who_dash(), legend=None),
            )
        )
        limits = [(who, kind) for who in WHO for kind in ("max. continuous", "SMOC")]
        words = [_limit_words(*limit, is_halo=h) for h in (True, False) for limit in limits]
        marks = alt.Chart(alt.NamedData("marks"))
        ranges = marks.mark_rule(color=INK, strokeWidth=1.4).encode(
            x=time, y="low:Q", y2="high:Q"
        )
        points = marks.mark_point(
            shape="diamond", filled=True, color=INK, size=60, opacity=1
        ).encode(x=time, y="flow:Q")
        names = marks.mark_text(align="left", dx=8, dy=12, fontSize=11.5).encode(
            x=time, y="flow:Q", text="name:N"
        )
        return dressed(
            alt.layer(band, meters, *words, line, ranges, points, names).properties(
                width=PLOT_WIDTH, height=232, title=f"flow, {flow_unit}"
            )
        )

    return compiled(
        chart, ("curve", "meters", "marks"), drawing=f"duration-{SYSTEM[flow_unit]}"
    )


def _limit_words(who: str, kind: str, *, is_halo: bool) -> Any:
    """Names of the level lines, the two meters' kept apart left and right, above and below.

    A halo of paper lies under them, so that a line that passes does not strike them out.
    """
    halo = {"stroke": CARD, "strokeWidth": 3.5, "strokeJoin": "round"} if is_halo else {}
    is_above = kind == "SMOC"
    place = 0.68 if who == "installed" else 1.0
    return (
        alt.Chart(alt.NamedData("meters"))
        .transform_filter((alt.datum.who == who) & (alt.datum.kind == kind))
        .mark_text(
            align="right",
            fontSize=11,
            color=INSTALLED if who == "installed" else RECOMMENDED,
            baseline="bottom" if is_above else "top",
            dy=-2 if is_above else 3,
            **halo,
        )
        .encode(x=alt.value(place * PLOT_WIDTH), y="flow:Q", text="text:N")
    )
