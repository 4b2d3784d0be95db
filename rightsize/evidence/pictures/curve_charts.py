"""Pictures of registration curves: what share of the water a meter counts, by flow."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final, Literal

import altair as alt
import numpy as np

from rightsize.meters.build.compound import Direction, compound_ratio
from rightsize.meters.catalogue import Meter, size_words
from rightsize.meters.curve import registration_ratio

Scheme = Literal["viridis", "tableau10"]

WIDTH: Final = 620
HEIGHT: Final = 280
JUST_BELOW: Final = 0.999  # of the starting flow: where the curve is still zero


def curve_chart(meters: Sequence[Meter], *, title: str, by: str = "size") -> alt.LayerChart:
    """Curves of several meters over log flow, one line a meter.

    Parameters
    ----------
    meters : sequence of Meter
        In the order of the legend.
    title : str
        What the picture shows.
    by : {"size", "type"}
        What the legend names: sizes of one type (a sequence of colors) or types of one size.
    """
    names = [_legend(m, by) for m in meters]
    rows = [
        {"line": name, "flow_gpm": flow, "registered_pct": 100 * ratio}
        for name, meter in zip(names, meters, strict=True)
        for flow, ratio in _outline(meter)
    ]
    scheme: Scheme = "viridis" if by == "size" else "tableau10"
    return _framed(_lines(rows, names, scheme=scheme, title=by, range_pct=(0, 110)), title)


def changeover_chart(meter: Meter, *, title: str) -> alt.LayerChart:
    """A compound meter's hand-over, for rising and for falling flow and their mean.

    Raises
    ------
    ValueError
        If the meter has no elements to show.
    """
    parts = meter.compound
    if parts is None:
        raise ValueError(f"{meter.label} has no elements to show")
    flow = np.geomspace(
        0.5 * parts.changeover_falling_gpm, 2.0 * parts.changeover_rising_gpm, 240
    )
    directions: dict[str, Direction] = {
        "falling": "falling",
        "rising": "rising",
        "mean of both": "both",
    }
    rows = [
        {"line": name, "flow_gpm": round(float(q), 4), "registered_pct": round(float(a), 3)}
        for name, direction in directions.items()
        for q, a in zip(
            flow, 100 * compound_ratio(flow, parts, direction=direction), strict=True
        )
    ]
    names = list(directions)
    return _framed(
        _lines(rows, names, scheme="tableau10", title="flow", range_pct=(88, 102)), title
    )


def _legend(meter: Meter, by: str) -> str:
    grade = "" if meter.grade == "standard" else f", {meter.grade.replace('_', ' ')}"
    if by == "size":
        return f"{size_words(meter.size_in)} in{grade}"
    return meter.meter_type.replace("_", " ") + grade


def _outline(meter: Meter) -> list[tuple[float, float]]:
    """Points from zero below the start up to SMOC; straight between them over log flow."""
    start, top = meter.starting_gpm, meter.smoc_gpm
    at = [start, *(q for q, _ in meter.registration if start < q < top), top]
    ratio = registration_ratio(np.array(at), meter)
    points = [(JUST_BELOW * start, 0.0), *zip(at, ratio.tolist(), strict=True)]
    return [(round(q, 5), round(a, 5)) for q, a in points]


def _lines(
    rows: list[dict[str, Any]],
    names: list[str],
    *,
    scheme: Scheme,
    title: str,
    range_pct: tuple[float, float],
) -> alt.Chart:
    """One line a name; every other one dashed, so that lines that coincide both show."""
    flows = [row["flow_gpm"] for row in rows]
    dashes = [[1, 0] if n % 2 == 0 else [6, 4] for n in range(len(names))]
    color = alt.Scale(domain=names, scheme=scheme)
    dash = alt.Scale(domain=names, range=dashes)
    axis = alt.Axis(format="~g", tickCount=8, gridOpacity=0.4)
    by_log = alt.Scale(type="log", domain=[min(flows), max(flows)], nice=False)
    by_share = alt.Scale(domain=list(range_pct), nice=False, zero=False)
    lines: alt.Chart = (
        alt.Chart(_data(rows))
        .mark_line(strokeWidth=2)
        .encode(
            x=alt.X("flow_gpm:Q", title="actual flow [gpm]", scale=by_log, axis=axis),
            y=alt.Y(
                "registered_pct:Q",
                title="registered [% of actual volume]",
                scale=by_share,
                axis=alt.Axis(gridOpacity=0.4),
            ),
            color=alt.Color("line:N", scale=color, title=title),
            strokeDash=alt.StrokeDash("line:N", scale=dash, title=title),
            order=alt.Order("flow_gpm:Q"),
        )
    )
    return lines


def _data(rows: list[dict[str, Any]]) -> alt.InlineData:
    return alt.InlineData(values=rows)


def _framed(lines: alt.Chart, title: str) -> alt.LayerChart:
    """With the line of exact registration behind, on white, titled at the left."""
    exact = (
        alt.Chart(_data([{"exact_pct": 100}]))
        .mark_rule(color="#777777", strokeDash=[4, 3])
        .encode(y="exact_pct:Q")
    )
    framed: alt.LayerChart = (
        alt.layer(exact, lines)
        .properties(
            title=alt.TitleParams(title, anchor="start"),
            width=WIDTH,
            height=HEIGHT,
            background="white",
        )
        .configure_view(stroke=None)
    )
    return framed
