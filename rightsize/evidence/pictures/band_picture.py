"""Volume by flow, over the range that the meters register and handle."""

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
from rightsize.evidence.pictures.palette import INK, RANGE, WATER
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
from rightsize.meters.catalogue import Meter
from rightsize.meters.curve import registration_ratio

SHOWN_SHARE: Final = 0.002
"""A band whose volume may not reach this share, at the high end of its range, is not drawn."""


def bands_svg(site: SiteEvidence, units: Units, *, label: str) -> str:
    """Share of actual volume by flow band, with accuracy and limits of each meter."""
    flow_factor = units.flow_per_gpm
    low_gpm, high_gpm = _flow_domain(site)
    meters = meters_shown(site)
    data: Data = {
        "bands": [_band(b, flow_factor, low_gpm, high_gpm) for b in _drawn(site.bands)],
        "curves": [
            {"who": who, "flow": q * flow_factor, "pct": 100 * a}
            for who, m in meters
            for q, a in _curve(m, low_gpm, high_gpm)
        ],
        "ranges": [_range(who, m, flow_factor, low_gpm, high_gpm) for who, m in meters],
        "peak": _peak(site.recommendation, flow_factor),
    }
    return bands_chart(units.flow_unit).svg(data, name="bands", label=label)


@cache
def bands_chart(flow_unit: str) -> Compiled:
    """The chart of `bands_svg`, without data."""

    def chart() -> Any:
        flow = alt.X(
            "from:Q",
            scale=alt.Scale(type="log", nice=False),
            axis=alt.Axis(title=None, labels=False, ticks=False, grid=False),
        )
        bars = (
            alt.Chart(alt.NamedData("bands"))
            .mark_rect(color=WATER)
            .encode(
                x=flow,
                x2="to:Q",
                y=alt.Y("base:Q", axis=_side_axis(), title=None, scale=alt.Scale(nice=True)),
                y2="pct:Q",
            )
        )
        whiskers = (
            alt.Chart(alt.NamedData("bands"))
            .mark_rule(color=RANGE, strokeWidth=1.4)
            .encode(x="middle:Q", y="low:Q", y2="high:Q")
        )
        curves = (
            alt.Chart(alt.NamedData("curves"))
            .mark_line(strokeWidth=2.2)
            .encode(
                x="flow:Q",
                y=alt.Y(
                    "pct:Q",
                    title=None,
                    scale=alt.Scale(domain=[0, 110], nice=False),
                    axis=alt.Axis(grid=False, values=[0, 50, 100], minExtent=28, maxExtent=28),
                ),
                color=alt.Color("who:N", scale=who_color(), legend=None),
                strokeDash=alt.StrokeDash("who:N", scale=who_dash(), legend=None),
            )
        )
        top = (
            alt.layer(alt.layer(bars, whiskers), curves)
            .resolve_scale(y="independent")
            .properties(
                width=PLOT_WIDTH - 28,
                height=178,
                title="bars: % of actual volume (left)   lines: % registered (right)",
            )
        )
        return dressed(
            alt.vconcat(top, _ranges_panel(flow_unit), spacing=8).resolve_scale(x="shared")
        )

    return compiled(
        chart, ("bands", "curves", "ranges", "peak"), drawing=f"bands-{SYSTEM[flow_unit]}"
    )


def _ranges_panel(flow_unit: str) -> Any:
    who = alt.Y(
        "who:N",
        title=None,
        sort=list(WHO),
        scale=alt.Scale(domain=list(WHO)),
        axis=alt.Axis(labels=False, ticks=False, domain=False, minExtent=SIDE, maxExtent=SIDE),
    )
    color = alt.Color("who:N", scale=who_color(), legend=None)
    base = alt.Chart(alt.NamedData("ranges"))
    flow = alt.X(
        "start:Q",
        scale=alt.Scale(type="log", nice=False),
        axis=alt.Axis(title=f"flow, {flow_unit}", labelExpr=LOG, labelOverlap=True, grid=False),
    )
    reach = base.mark_rule(strokeWidth=2).encode(x=flow, x2="smoc:Q", y=who, color=color)
    normal = base.mark_rule(strokeWidth=9, opacity=0.55).encode(
        x="normal:Q", x2="continuous:Q", y=who, color=color
    )
    ends = base.mark_tick(thickness=2, height=14)
    ticks = [ends.encode(x=f"{end}:Q", y=who, color=color) for end in ("start", "smoc")]
    names = base.mark_text(align="right", dx=-6, fontSize=11.5).encode(
        x=alt.value(0), y=who, text="short:N", color=color
    )
    peak_range = (
        alt.Chart(alt.NamedData("peak"))
        .mark_rule(color=INK, strokeWidth=1.4)
        .encode(x="low:Q", x2="high:Q", y=alt.value(30))
    )
    peak = (
        alt.Chart(alt.NamedData("peak"))
        .mark_point(shape="diamond", filled=True, color=INK, size=60, opacity=1)
        .encode(x="peak:Q", y=alt.value(30))
    )
    return alt.layer(reach, normal, *ticks, names, peak_range, peak).properties(
        width=PLOT_WIDTH - 28, height=60
    )


def _side_axis() -> Any:
    return alt.Axis(minExtent=SIDE, maxExtent=SIDE, tickCount=4, labelExpr=PLAIN)


def _drawn(bands: Sequence[Row]) -> list[Row]:
    return [b for b in bands if b["actual_volume_high_share"] >= SHOWN_SHARE]


def _flow_domain(site: SiteEvidence) -> tuple[float, float]:
    """Flows that the picture spans [gpm]: the water, the meters and the peak."""
    drawn = _drawn(site.bands)
    row = site.recommendation
    lows = [b["band_from_gpm"] for b in drawn]
    highs = [b["band_to_gpm"] for b in drawn] + [row.get("peak_10s_high_gpm") or 0.0]
    for _, meter in meters_shown(site):
        lows.append(0.7 * meter.starting_gpm)
        highs.append(1.15 * meter.smoc_gpm)
    return max(min(lows), 1e-3), max(highs)


def _band(band: Row, factor: float, low_gpm: float, high_gpm: float) -> dict[str, float]:
    start = max(band["band_from_gpm"], low_gpm)
    end = min(band["band_to_gpm"], high_gpm)
    return {
        "from": start * factor,
        "to": end * factor,
        "middle": float(np.sqrt(start * end)) * factor,
        "base": 0.0,
        "pct": 100 * band["actual_volume_share"],
        "low": 100 * band["actual_volume_low_share"],
        "high": 100 * band["actual_volume_high_share"],
    }


def _curve(meter: Meter, low_gpm: float, high_gpm: float) -> list[tuple[float, float]]:
    points = [q for q, _ in meter.registration if low_gpm < q < high_gpm]
    flow = np.unique([low_gpm, *points, meter.starting_gpm * (1 - 1e-6), high_gpm])
    flow = flow[(flow >= low_gpm) & (flow <= high_gpm)]
    ratio = registration_ratio(flow, meter)
    return [(float(q), float(a)) for q, a in zip(flow, ratio, strict=True)]


def _range(
    who: str, meter: Meter, factor: float, low_gpm: float, high_gpm: float
) -> dict[str, Any]:
    flows = {
        "start": meter.starting_gpm,
        "normal": meter.normal_min_gpm,
        "continuous": meter.continuous_gpm,
        "smoc": meter.smoc_gpm,
    }
    inside = {k: float(np.clip(v, low_gpm, high_gpm)) * factor for k, v in flows.items()}
    return {"who": who, "short": SHORT_WHO[who], **inside}


def _peak(row: Row, factor: float) -> list[dict[str, float]]:
    if row.get("peak_10s_gpm") is None:
        return []
    names = {"peak": "peak_10s_gpm", "low": "peak_10s_low_gpm", "high": "peak_10s_high_gpm"}
    return [{k: row[v] * factor for k, v in names.items()}]
