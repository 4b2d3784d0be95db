"""Pictures of a fleet: how few change-outs bring most of the gain, and where."""

from __future__ import annotations

from functools import cache
from typing import Any, Final

import numpy as np
import polars as pl

from rightsize.evidence.fleet import FleetEvidence
from rightsize.evidence.pictures.altair_late import alt
from rightsize.evidence.pictures.palette import FAINT, INK, RANGE, WATER
from rightsize.evidence.pictures.picture import (
    PLOT_WIDTH,
    SHORT,
    SIDE,
    Compiled,
    compiled,
    dressed,
)

CURVE_POINTS: Final = 240
CLASSES_SHOWN: Final = 10


def running_revenue(changes: pl.DataFrame) -> list[dict[str, float]]:
    """Revenue gain of the first so many change-outs, the largest first [USD per year].

    Parameters
    ----------
    changes : frame
        revenue_gain_usd_per_year of each meter to change, falling.

    Returns
    -------
    list
        place and usd; at most `CURVE_POINTS` of them, the first (0, 0) and the last included.
    """
    gain = changes["revenue_gain_usd_per_year"].to_numpy()
    running = np.concatenate([[0.0], np.cumsum(gain)])
    chosen = np.unique(np.linspace(0, gain.size, CURVE_POINTS).round().astype(int))
    return [{"place": int(k), "usd": float(running[k])} for k in chosen]


def half_way(changes: pl.DataFrame) -> int:
    """How many of the largest change-outs bring half of the revenue gain."""
    gain = changes["revenue_gain_usd_per_year"].to_numpy()
    if gain.size == 0 or gain.sum() <= 0:
        return 0
    return int(np.searchsorted(np.cumsum(gain), gain.sum() / 2) + 1)


def stake_svg(fleet: FleetEvidence, *, label: str) -> str:
    """Running revenue gain over the number of change-outs."""
    changes = fleet.changes
    half = half_way(changes)
    curve = running_revenue(changes)
    gain = changes["revenue_gain_usd_per_year"].to_numpy()
    mark = [{"place": half, "usd": float(gain[:half].sum()), "text": f"{half} bring half"}]
    return stake_chart().svg({"curve": curve, "half": mark}, name="stake", label=label)


@cache
def stake_chart() -> Compiled:
    """The chart of `stake_svg`, without data."""

    def chart() -> Any:
        place = alt.X(
            "place:Q",
            title="change-outs, largest revenue gain first",
            scale=alt.Scale(nice=False),
            axis=alt.Axis(tickCount=5, format="~s", grid=False),
        )
        base = alt.Chart(alt.NamedData("curve"))
        area = base.mark_area(
            color=WATER, opacity=0.7, line={"color": RANGE, "strokeWidth": 2}
        ).encode(
            x=place,
            y=alt.Y(
                "usd:Q",
                title=None,
                axis=alt.Axis(tickCount=4, labelExpr=SHORT, minExtent=SIDE, maxExtent=SIDE),
            ),
        )
        half = alt.Chart(alt.NamedData("half"))
        point = half.mark_point(
            shape="diamond", filled=True, color=INK, size=70, opacity=1
        ).encode(x="place:Q", y="usd:Q")
        words = half.mark_text(align="left", dx=9, dy=6).encode(
            x="place:Q", y="usd:Q", text="text:N"
        )
        return dressed(
            alt.layer(area, point, words).properties(
                width=PLOT_WIDTH, height=190, title="$ per year"
            )
        )

    return compiled(chart, ("curve", "half"), drawing="stake")


def classes_svg(fleet: FleetEvidence, *, label: str) -> str:
    """Net benefit of the changes by class, with the accounts' own ends added up."""
    rows = [
        {
            "class": row["customer_class"].replace("_", " "),
            "place": place,
            "usd": row["net_benefit_usd_per_year"],
            "low": row["net_benefit_low_usd_per_year"],
            "high": row["net_benefit_high_usd_per_year"],
        }
        for place, row in enumerate(fleet.classes[:CLASSES_SHOWN])
        if row["change"]
    ]
    return classes_chart().svg({"classes": rows}, name="classes", label=label)


@cache
def classes_chart() -> Compiled:
    """The chart of `classes_svg`, without data."""

    def chart() -> Any:
        who = alt.Y(
            "class:N",
            title=None,
            sort=alt.SortField("place"),
            axis=alt.Axis(ticks=False, domain=False, minExtent=92, maxExtent=92, labelLimit=90),
        )
        base = alt.Chart(alt.NamedData("classes"))
        bars = base.mark_bar(color=WATER, height=15).encode(
            y=who,
            x=alt.X(
                "usd:Q",
                title="$ per year",
                axis=alt.Axis(tickCount=4, labelExpr=SHORT, grid=True),
            ),
        )
        ends = base.mark_rule(color=RANGE, strokeWidth=1.6).encode(
            y=who, x="low:Q", x2="high:Q"
        )
        ticks = [
            base.mark_tick(color=FAINT, thickness=1.6, height=9).encode(y=who, x=f"{end}:Q")
            for end in ("low", "high")
        ]
        return dressed(
            alt.layer(bars, ends, *ticks).properties(width=PLOT_WIDTH - 46, height=190)
        )

    return compiled(chart, ("classes",), drawing="classes")
