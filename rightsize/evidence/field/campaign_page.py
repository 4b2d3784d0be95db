"""The campaign at a glance: areas by weeks, the crews' lists, and what was learned so far."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any, Final

import polars as pl
from markupsafe import Markup

from rightsize.campaign.visit import Visit
from rightsize.evidence.field.crew_week import CrewWeek
from rightsize.evidence.field.learned import Learned
from rightsize.evidence.field.words import SHORT
from rightsize.evidence.page import environment
from rightsize.evidence.pictures.campaign_picture import (
    ACCOUNTS_SHOWN,
    campaign_svg,
    learned_svg,
)
from rightsize.evidence.quantity import Units, decimal, share
from rightsize.evidence.site import Provenance
from rightsize.evidence.table_labels import with_labels
from rightsize.units import UnitSystem

NO_AREA: Final = "no area"
LONGEST_AREA: Final = 60  # [characters] that the picture has room for: our convention


def campaign_page(
    visits: Sequence[Visit],
    weeks: Sequence[CrewWeek],
    lists: Mapping[tuple[str, int], str],
    *,
    provenance: Provenance,
    units: UnitSystem,
    learned: Learned | None = None,
) -> str:
    """The page.

    Parameters
    ----------
    lists
        File name of each crew's list, by week (ISO date) and crew.
    learned
        What logs have shown so far; nothing is said of it if None.
    """
    words = Units(units)
    cells = cell_frame(visits)
    label = (
        f"{len(visits)} visits in {cells['week'].n_unique()} weeks and"
        f" {cells['area'].n_unique()} areas; the table below has the numbers."
    )
    return with_labels(
        environment()
        .get_template("campaign.html")
        .render(
            provenance=provenance,
            figures=_figures(visits, words),
            picture=Markup(campaign_svg(_grid(cells), label=label)) if visits else "",
            table=_table(cells, words),
            kinds=_kinds(visits, words),
            crews=[
                {
                    "week": str(held.week_start_on),
                    "crew": held.crew,
                    "visits": len(held.orders),
                    "fetched": len(held.fetched),
                    "page": lists[str(held.week_start_on), held.crew],
                }
                for held in weeks
            ],
            learned=None if learned is None else _learned(learned, words),
        )
    )


def cell_frame(visits: Sequence[Visit]) -> pl.DataFrame:
    """One row an area and week with a visit: visits, cost, expected gain and net [USD]."""
    frame = pl.DataFrame(
        {
            "area": [v.area or NO_AREA for v in visits],
            "week": [str(v.week_start_on) for v in visits],
            "cost_usd": [v.cost_usd for v in visits],
            "gain_usd": [v.expected_gain_usd for v in visits],
            "net_usd": [v.net_usd for v in visits],
        },
        schema={
            "area": pl.String, "week": pl.String, "cost_usd": pl.Float64,
            "gain_usd": pl.Float64, "net_usd": pl.Float64,
        },
    )  # fmt: skip
    return (
        frame.group_by("area", "week")
        .agg(pl.len().alias("visits"), pl.col("cost_usd", "gain_usd", "net_usd").sum())
        .sort("area", "week")
    )


def _grid(cells: pl.DataFrame) -> list[dict[str, Any]]:
    """Every area in every week from the first to the last, those without a visit too.

    A long name is cut, with its place in the list so that it stays apart from others.
    """
    names = cells["area"].unique().sort().to_list()
    short = {
        n: n if len(n) <= LONGEST_AREA else f"{k + 1}. {n[:LONGEST_AREA]}..."
        for k, n in enumerate(names)
    }
    cells = cells.with_columns(pl.col("area").replace_strict(short))
    days = [dt.date.fromisoformat(week) for week in cells["week"]]
    count = (max(days) - min(days)).days // 7 + 1
    weeks = [str(min(days) + dt.timedelta(weeks=k)) for k in range(count)]
    every = cells.select(pl.col("area").unique().sort()).join(
        pl.DataFrame({"week": weeks}), how="cross"
    )
    return (
        every.join(cells, on=["area", "week"], how="left", maintain_order="left")
        .fill_null(0)
        .to_dicts()
    )


def _figures(visits: Sequence[Visit], words: Units) -> list[dict[str, str]]:
    weeks = {v.week_start_on for v in visits}
    cost = sum(v.cost_usd for v in visits)
    gain = sum(v.expected_gain_usd for v in visits)
    loggers = sum(v.logger_count for v in visits)
    return [
        _figure("visits", words.count(len(visits)), f"at {len({v.account_id for v in visits})}"
                f" accounts in {len(weeks)} weeks"),
        _figure("logs", words.count(loggers), "a logger each, for its days"),
        _figure("cost", words.usd(cost), "visits, without the way to the areas"),
        _figure("expected gain", words.usd(gain),
                "of better decisions, present value over the meters' lives"),
    ]  # fmt: skip


def _figure(name: str, value: str, note: str) -> dict[str, str]:
    return {"name": name, "value": value, "note": note}


def _table(cells: pl.DataFrame, words: Units) -> dict[str, Any]:
    """Areas down, weeks across: visits and net value of each cell."""
    weeks = cells["week"].unique().sort().to_list()
    held = {(r["area"], r["week"]): r for r in cells.iter_rows(named=True)}
    rows = []
    for (area,), part in cells.group_by("area", maintain_order=True):
        rows.append(
            {
                "area": area,
                "cells": [
                    f"{found['visits']} · {words.usd(found['net_usd'])}"
                    if (found := held.get((area, week)))
                    else ""
                    for week in weeks
                ],
                "visits": words.count(int(part["visits"].sum())),
                "net": words.usd(float(part["net_usd"].sum())),
            }
        )
    return {"weeks": weeks, "rows": rows}


def _kinds(visits: Sequence[Visit], words: Units) -> list[dict[str, str]]:
    found = []
    for kind, said in SHORT.items():
        those = [v for v in visits if v.kind == kind]
        if those:
            found.append(
                {
                    "kind": said,
                    "visits": words.count(len(those)),
                    "cost": words.usd(sum(v.cost_usd for v in those)),
                    "gain": words.usd(sum(v.expected_gain_usd for v in those)),
                }
            )
    return found


def _learned(learned: Learned, words: Units) -> dict[str, Any]:
    rows = learned.rows.to_dicts()
    per_dollar = learned.taken_off_per_usd
    said = "not known" if per_dollar is None else f"${decimal(per_dollar, 2)} a year"
    before, after = learned.benefit_usd
    drawn = learned.drawn
    label = (
        f"Range of net benefit before and after, of {min(len(drawn), ACCOUNTS_SHOWN)} logged"
        " accounts; the table below has the numbers."
    )
    return {
        "figures": [
            _figure("logged accounts", words.count(len(rows)),
                    f"for {words.usd(learned.cost_usd)}"),
            _figure("net benefit of what is changed", f"{words.usd(after)} a year",
                    f"at these accounts, {words.usd(before)} before the logs"),
            _figure("range taken off", f"{words.usd(learned.taken_off_usd)} a year",
                    f"for a dollar of logs: {said}; widths of the accounts' own 90 % ranges"
                    " added up, where a meter is named before and now; half of them shrank by"
                    f" {share(learned.median_share, 0)} or more"),
            _figure("actions that changed", words.count(learned.changed_count), ""),
        ],
        "picture": Markup(learned_svg(drawn, label=label)) if drawn else "",
        "rows": [
            {
                "account": row["account_id"],
                "cost": words.usd(row["cost_usd"]),
                "benefit_before": words.usd(row["benefit_before_usd"]),
                "benefit_after": words.usd(row["benefit_after_usd"]),
                "before": _width(row["range_before_usd"], words),
                "after": _width(row["range_after_usd"], words),
                "per_dollar": decimal(row["taken_off_per_usd"], 2)
                if row["taken_off_per_usd"] is not None
                else "",
                "was": row["action_before"].replace("_", " "),
                "now": row["action_after"].replace("_", " "),
                "is_changed": row["action_before"] != row["action_after"],
            }
            for row in rows
        ],
    }  # fmt: skip


def _width(range_usd: float | None, words: Units) -> str:
    return "" if range_usd is None else words.usd(range_usd)
