"""What the installed meter did not see of a year's volume."""

from __future__ import annotations

from functools import cache
from typing import Any

from rightsize.evidence.pictures.altair_late import alt
from rightsize.evidence.pictures.palette import FAINT, INK, INSTALLED, MISSED, WATER
from rightsize.evidence.pictures.picture import (
    PLOT_WIDTH,
    SHORT,
    SIDE,
    SYSTEM,
    Compiled,
    compiled,
    dressed,
)
from rightsize.evidence.quantity import Units
from rightsize.evidence.site import Row


def unseen_parts(profile: Row) -> dict[str, float]:
    """The year's actual volume in parts: registered, missed while turning, below the start.

    All in gallons. A meter that registers more than passes has no missed part.
    """
    registered = profile["registered_gal_per_year"]
    below = profile.get("unseen_gal_per_year") or 0.0
    missed = max(profile["actual_gal_per_year"] - registered, 0.0)
    below = min(below, missed)
    return {"registered": registered, "slipped": missed - below, "below_start": below}


def unseen_svg(profile: Row, units: Units, *, label: str) -> str:
    """A bar of the year's volume: what was counted, what slipped past, and the range."""
    volume_factor = units.volume_per_gal
    parts = unseen_parts(profile)
    ends, start = [], 0.0
    for place, (part, gal) in enumerate(parts.items()):
        ends.append(
            {
                "part": part,
                "place": place,
                "from": start * volume_factor,
                "to": (start + gal) * volume_factor,
            }
        )
        start += gal
    total = {
        "low": profile["actual_low_gal_per_year"] * volume_factor,
        "high": profile["actual_high_gal_per_year"] * volume_factor,
    }
    return unseen_chart(units.volume_unit).svg(
        {"parts": ends, "total": [total]}, name="unseen", label=label
    )


@cache
def unseen_chart(volume_unit: str) -> Compiled:
    """The chart of `unseen_svg`, without data."""

    def chart() -> Any:
        volume = alt.X(
            "from:Q",
            title=f"{volume_unit} per year",
            scale=alt.Scale(zero=True, nice=False),
            axis=alt.Axis(tickCount=4, labelExpr=SHORT, grid=False),
        )
        colors = alt.Scale(
            domain=["registered", "slipped", "below_start"], range=[WATER, MISSED, INSTALLED]
        )
        bars = (
            alt.Chart(alt.NamedData("parts"))
            .mark_bar(height=26)
            .encode(
                x=volume,
                x2="to:Q",
                y=alt.value(18),
                color=alt.Color("part:N", scale=colors, legend=None),
            )
        )
        total = alt.Chart(alt.NamedData("total"))
        whisker = total.mark_rule(color=INK, strokeWidth=1.6).encode(
            x="low:Q", x2="high:Q", y=alt.value(38)
        )
        ends = [
            total.mark_tick(color=FAINT, thickness=1.6, height=10).encode(
                x=f"{end}:Q", y=alt.value(38)
            )
            for end in ("low", "high")
        ]
        return dressed(
            alt.layer(bars, whisker, *ends).properties(width=PLOT_WIDTH + SIDE - 14, height=46)
        )

    return compiled(chart, ("parts", "total"), drawing=f"unseen-{SYSTEM[volume_unit]}")
