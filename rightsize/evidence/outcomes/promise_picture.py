"""Promised against realized: a point a change-out, with ranges and the line of both alike."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from typing import Any, Final

from rightsize.evidence.pictures.altair_late import alt
from rightsize.evidence.pictures.palette import FAINT, INSTALLED, RECOMMENDED
from rightsize.evidence.pictures.picture import PLOT_WIDTH, SIDE, Compiled, compiled, dressed

PLOT_HEIGHT: Final = 300
ROOM: Final = 1.08  # of the axes, about the points


def promise_svg(rows: Iterable[Mapping[str, Any]], *, label: str) -> str:
    """The cases that have both a promise and a gain; rows of `change_out_result`."""
    cases = [r for r in rows if r["promised_gain_pct"] is not None and r["against_promise"]]
    low, high = _ends(cases)
    points = [
        {
            "promised": r["promised_gain_pct"],
            "promised_low": max(r["promised_gain_low_pct"], low),
            "promised_high": min(r["promised_gain_high_pct"], high),
            "came": r["realised_gain_pct"],
            "came_low": max(r["realised_gain_low_pct"], low),
            "came_high": min(r["realised_gain_high_pct"], high),
            "held": "short of the promise" if r["against_promise"] == "short" else "kept",
        }
        for r in cases
    ]
    line = [{"promised": end, "came": end} for end in (low, high)]
    words = [{"promised": high, "came": high, "text": "as promised"}]
    return promise_chart().svg(
        {"cases": points, "line": line, "words": words}, name="promise", label=label
    )


def _ends(cases: list[Mapping[str, Any]]) -> tuple[float, float]:
    """Ends of both axes: the points and the ranges of what came; ranges of promises are cut."""
    top = max(
        (max(r["promised_gain_pct"], r["realised_gain_high_pct"]) for r in cases), default=1.0
    )
    bottom = min((r["realised_gain_low_pct"] for r in cases), default=0.0)
    return min(0.0, ROOM * bottom), ROOM * top


@cache
def promise_chart() -> Compiled:
    """The chart of `promise_svg`, without data."""

    def chart() -> Any:
        scale = alt.Scale(nice=False, zero=False)
        x = alt.X(
            "promised:Q",
            title="promised, % of the use before",
            scale=scale,
            axis=alt.Axis(tickCount=6, grid=True),
        )
        y = alt.Y(
            "came:Q",
            title=None,
            scale=scale,
            axis=alt.Axis(tickCount=6, minExtent=SIDE, maxExtent=SIDE),
        )
        line = alt.Chart(alt.NamedData("line"))
        kept = line.mark_line(color=FAINT, strokeWidth=1.4, strokeDash=[5, 4]).encode(x=x, y=y)
        words = (
            alt.Chart(alt.NamedData("words"))
            .mark_text(align="right", dx=-8, dy=4, color=FAINT)
            .encode(x="promised:Q", y="came:Q", text="text:N")
        )
        color = alt.Color(
            "held:N",
            legend=None,
            scale=alt.Scale(
                domain=["short of the promise", "kept"], range=[INSTALLED, RECOMMENDED]
            ),
        )
        base = alt.Chart(alt.NamedData("cases"))
        promised = base.mark_rule(opacity=0.35, strokeWidth=1.2).encode(
            x="promised_low:Q", x2="promised_high:Q", y="came:Q", color=color
        )
        came = base.mark_rule(strokeWidth=2).encode(
            x="promised:Q", y="came_low:Q", y2="came_high:Q", color=color
        )
        points = base.mark_point(filled=True, size=70, opacity=1).encode(
            x="promised:Q",
            y="came:Q",
            color=color,
            shape=alt.Shape(
                "held:N",
                legend=None,
                scale=alt.Scale(
                    domain=["short of the promise", "kept"], range=["triangle-down", "circle"]
                ),
            ),
        )
        return dressed(
            alt.layer(kept, promised, came, points, words).properties(
                width=PLOT_WIDTH, height=PLOT_HEIGHT, title="came, % of the use before"
            )
        )

    return compiled(chart, ("cases", "line", "words"), drawing="promise")
