"""Pictures of a logging campaign: areas by weeks, and what logs took off the range of gains."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any, Final

from rightsize.evidence.pictures.altair_late import alt
from rightsize.evidence.pictures.palette import (
    FAINT,
    INK,
    INSTALLED,
    LINE,
    RECOMMENDED,
    WATER,
)
from rightsize.evidence.pictures.picture import SHORT, Compiled, Rows, compiled, dressed

MAP_WIDTH: Final = 700
ROW_HEIGHT: Final = 26
_NAMES: Final = 130  # room for the names of areas or accounts
_FAINTEST: Final = 0.25  # opacity of a cell with visits of no net value
ACCOUNTS_SHOWN: Final = 20


def campaign_svg(cells: Rows, *, label: str) -> str:
    """Areas by weeks: how many visits, and their net value by shade.

    Parameters
    ----------
    cells
        area, week (text, sorts by time), visits, net_usd; one row a cell, also where there is
        no visit.
    """
    most = max((c["net_usd"] for c in cells), default=0.0)
    rows = [
        {
            **c,
            "text": str(c["visits"] or ""),
            "shade": _shade(c["net_usd"] / most if most > 0 else 0.0) if c["visits"] else 0.0,
        }
        for c in cells
    ]
    return campaign_chart().svg({"cells": rows}, name="campaign", label=label)


def _shade(share: float) -> float:
    """How opaque a cell is: a visit is seen, whatever its value."""
    return _FAINTEST + (1 - _FAINTEST) * min(max(share, 0.0), 1.0)


@cache
def campaign_chart() -> Compiled:
    """The chart of `campaign_svg`, without data."""

    def chart() -> Any:
        base = alt.Chart(alt.NamedData("cells")).encode(
            x=alt.X(
                "week:O",
                title="week of",
                axis=alt.Axis(orient="top", labelAngle=-40, ticks=False, domain=False),
            ),
            y=alt.Y(
                "area:N",
                title=None,
                axis=alt.Axis(
                    ticks=False, domain=False, minExtent=_NAMES, maxExtent=_NAMES,
                    labelLimit=_NAMES - 6,
                ),
            ),
        )  # fmt: skip
        shade = alt.FillOpacity("shade:Q", legend=None, scale=None)
        cells = base.mark_rect(fill=WATER, stroke=LINE, strokeWidth=1).encode(fillOpacity=shade)
        words = base.mark_text(fontSize=13, color=INK).encode(text="text:N")
        return dressed(
            alt.layer(cells, words).properties(width=MAP_WIDTH, height=alt.Step(ROW_HEIGHT))
        )

    return compiled(chart, ("cells",), drawing="campaign")


def learned_svg(rows: Sequence[dict[str, Any]], *, label: str) -> str:
    """Width of each logged account's range before and after, the most taken off first.

    Parameters
    ----------
    rows
        account, before_usd, after_usd (width of the 90 % range); `ACCOUNTS_SHOWN` are drawn.
    """
    drawn = [{**row, "place": place} for place, row in enumerate(rows[:ACCOUNTS_SHOWN])]
    return learned_chart().svg({"accounts": drawn}, name="learned", label=label)


@cache
def learned_chart() -> Compiled:
    """The chart of `learned_svg`, without data."""

    def chart() -> Any:
        who = alt.Y(
            "account:N",
            title=None,
            sort=alt.SortField("place"),
            axis=alt.Axis(
                ticks=False, domain=False, minExtent=_NAMES, maxExtent=_NAMES,
                labelLimit=_NAMES - 6,
            ),
        )  # fmt: skip
        base = alt.Chart(alt.NamedData("accounts"))
        across = alt.X(
            "before_usd:Q",
            title="width of the 90 % range of net benefit, $ per year",
            scale=alt.Scale(zero=True),
            axis=alt.Axis(tickCount=5, labelExpr=SHORT, grid=True),
        )
        run = base.mark_rule(color=FAINT, strokeWidth=1.6).encode(
            y=who, x=across, x2="after_usd:Q"
        )
        before = base.mark_point(
            shape="circle", filled=False, color=INSTALLED, size=60, strokeWidth=2, opacity=1
        ).encode(y=who, x=across)
        after = base.mark_point(
            shape="diamond", filled=True, color=RECOMMENDED, size=80, opacity=1
        ).encode(y=who, x="after_usd:Q")
        return dressed(
            alt.layer(run, before, after).properties(
                width=MAP_WIDTH, height=alt.Step(ROW_HEIGHT)
            )
        )

    return compiled(chart, ("accounts",), drawing="learned")
