"""The campaign on a terminal, and its lists as files for the crews."""

from __future__ import annotations

import sys
from datetime import timedelta
from pathlib import Path
from typing import Final

import polars as pl
from rich.console import Console

from pipelines.commands.campaign.choose import CampaignOutcome
from pipelines.commands.query_output import write_answer
from pipelines.store.leftovers import drop_of_the_dead
from pipelines.sweep.summary import money, plain_table
from rightsize.campaign.choose_campaign import Campaign
from rightsize.campaign.visits import KIND_WORDS

_SHOWN: Final = 20


def show_campaign(outcome: CampaignOutcome, console: Console) -> None:
    """Visits by week, their value, and simple rankings to compare."""
    campaign, plan = outcome.campaign, outcome.campaign.plan
    if not outcome.visits:
        console.print(
            "No log or test is worth its cost within these loggers, weeks and budget.",
            soft_wrap=True,
        )
        return
    spent = sum(v.cost_usd for v in outcome.visits) + plan.trip_usd
    logs = sum(v.logger_count for v in outcome.visits)
    console.print(
        f"{len(outcome.visits):,} visits from {outcome.start_on:%Y-%m-%d} on, {logs:,} of them"
        f" logs, for {money(spent)} of {money(campaign.limits.budget_usd)}:"
        f" expected value {money(plan.value_usd)} over the meters' lives"
        f" ({money(plan.site_net_usd)} at the sites, {money(plan.class_usd)} for their classes,"
        f" less {money(plan.trip_usd)} for trips)"
        f" (within {plan.gap_share * 100:.1f} % of the optimum)",
        soft_wrap=True,
    )
    _log_first(outcome, console)
    _weeks(outcome, console)
    _best(outcome, console)
    _compared(campaign, console)


def _log_first(outcome: CampaignOutcome, console: Console) -> None:
    waiting = outcome.log_first_count - outcome.log_first_visited_count
    console.print(
        f"Sites to log first: {outcome.log_first_visited_count:,} of"
        f" {outcome.log_first_count:,} are visited"
        + (
            f"; {waiting:,} wait for more loggers, weeks, money or their season, or are decided"
            " on what is known once the configuration names this `campaign:`"
            if waiting
            else ""
        ),
        soft_wrap=True,
    )


def _weeks(outcome: CampaignOutcome, console: Console) -> None:
    table = plain_table("Work by week and crew")
    table.add_column("week of")
    table.add_column("crew", justify="right")
    table.add_column("areas")
    for heading in ("visits", "loggers set", "expected gain"):
        table.add_column(heading, justify="right")
    by_week = outcome.frame.group_by("week_start_on", "crew", maintain_order=True)
    for (week, crew), rows in by_week:
        areas = [name or "(no area)" for name in rows["area"].unique(maintain_order=True)]
        table.add_row(
            str(week),
            str(crew),
            ", ".join(areas),
            f"{rows.height:,}",
            f"{rows['logger_count'].sum():,}",
            money(float(rows["expected_gain_usd"].sum())),
        )
    console.print(table)


def _best(outcome: CampaignOutcome, console: Console) -> None:
    shown = sorted(outcome.visits, key=lambda v: -v.net_usd)[:_SHOWN]
    table = plain_table(f"{len(shown)} visits of most value")
    for heading in ("account", "area", "what", "week of"):
        table.add_column(heading)
    for heading in ("expected gain", "cost"):
        table.add_column(heading, justify="right")
    for visit in shown:
        table.add_row(
            visit.account_id,
            visit.area,
            KIND_WORDS[visit.kind],
            f"{visit.week_start_on:%Y-%m-%d}",
            money(visit.expected_gain_usd),
            money(visit.cost_usd),
        )
    console.print(table)


def _compared(campaign: Campaign, console: Console) -> None:
    ours = campaign.plan.value_usd
    table = plain_table("Compared with simple rankings within the same limits")
    table.add_column("ranking")
    for heading in ("expected value", "campaign advantage"):
        table.add_column(heading, justify="right")
    for name, value in (
        ("largest expected gain first", campaign.largest_gain.value_usd),
        ("at random, of those worth their cost", campaign.random_value_usd),
    ):
        table.add_row(name, money(value), money(ours - value))
    console.print(table)


def write_campaign(outcome: CampaignOutcome, folder: Path) -> list[Path]:
    """`visits.csv`, and a list for each crew and week; safe to open in a spreadsheet.

    A list holds what its crew sets in that week, and what it fetches: logs that end then. Lists
    of an earlier campaign in the folder are removed.

    Raises
    ------
    OSError
        If a file cannot be written.
    """
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)  # one that was there keeps its mode
    drop_of_the_dead(folder, ".*")
    for old in folder.glob("crew_*_week_????-??-??.csv"):
        old.unlink()
    frame = outcome.frame
    paths = [_written(frame, folder / "visits.csv")]
    work = pl.concat([_set(frame), _fetched(frame)]).sort(
        "week_of", "crew", "area", "task", "account_id", "meter_id"
    )
    for (week, crew), rows in work.group_by("week_of", "crew", maintain_order=True):
        paths.append(_written(rows, folder / f"crew_{crew}_week_{week}.csv"))
    return paths


def _set(frame: pl.DataFrame) -> pl.DataFrame:
    task = pl.when(pl.col("logger_count") > 0).then(pl.lit("set")).otherwise(pl.lit("do"))
    return frame.select(pl.col("week_start_on").alias("week_of"), task.alias("task"), pl.all())


def _fetched(frame: pl.DataFrame) -> pl.DataFrame:
    weeks = (pl.col("duration_days") / 7).ceil().cast(pl.Int64)
    later = pl.when(weeks > 1).then(weeks).otherwise(0)
    return frame.filter(pl.col("logger_count") > 0).select(
        (pl.col("week_start_on") + later * timedelta(weeks=1)).alias("week_of"),
        pl.lit("fetch").alias("task"),
        pl.all(),
    )


def _written(frame: pl.DataFrame, path: Path) -> Path:
    write_answer(frame.to_arrow().to_reader(), "csv", None, path, sys.stdout)
    return path
