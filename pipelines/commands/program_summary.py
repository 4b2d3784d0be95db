"""The year's programme on a terminal, and its list as a file for the crews."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any, Literal

import polars as pl
from rich.console import Console

from pipelines.commands.program import ProgramOutcome
from pipelines.commands.query_output import write_answer
from pipelines.sweep.summary import money, money_range, plain_table
from rightsize.meters.catalogue import STANDARD_GRADE, label_of

_SHOWN = 20


def show_program(outcome: ProgramOutcome, console: Console) -> None:
    """What to do, what it brings, how it compares with a plain ranking, and the next dollar."""
    program = outcome.program
    if program.selected.is_empty():
        console.print("No change-out fits this budget.")
    else:
        console.print(
            f"{program.selected.height:,} of {outcome.options['account_id'].n_unique():,} "
            f"accounts to change for {money(program.cost_usd)} of {money(program.budget_usd)} "
            f"USD: {money(program.net_benefit_usd_per_year)} USD a year net, present value "
            f"{money(program.net_present_value_usd)} USD, {program.crew_hours:,.0f} crew hours "
            f"(proven within {program.gap_share:.2%} of the best possible)",
            soft_wrap=True,
        )
        _selected(program.selected, console)
        _others(outcome, console)
        _rankings(program.ranking, console)
        _curve(program.curve, console)
    if not outcome.overrun_left_out.is_empty():
        console.print(
            f"{outcome.overrun_left_out.height:,} undersized meters are left out: money alone "
            "does not carry them; decide on them by hand",
            soft_wrap=True,
        )


def write_program(outcome: ProgramOutcome, path: Path) -> None:
    """The chosen change-outs as CSV, safe to open in a spreadsheet.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    reader = outcome.program.selected.to_arrow().to_reader()
    write_answer(reader, "csv", None, path, sys.stdout)


def _selected(selected: pl.DataFrame, console: Console) -> None:
    table = plain_table(f"The first {min(_SHOWN, selected.height)}, best return first")
    for heading in ("account", "area", "change"):
        table.add_column(heading)
    for heading in ("cost, USD", "USD/year net", "return"):
        table.add_column(heading, justify="right")
    for row in selected.head(_SHOWN).iter_rows(named=True):
        table.add_row(
            row["account_id"],
            row["area"] or "",
            f"{_label(row, 'installed_')} to {_label(row, '')}",
            money(row["change_cost_usd"]),
            money_range(
                row["net_benefit_usd_per_year"],
                row["net_benefit_low_usd_per_year"],
                row["net_benefit_high_usd_per_year"],
            ),
            f"{row['return_usd_per_usd']:.1f}",
        )
    console.print(table)


def _others(outcome: ProgramOutcome, console: Console) -> None:
    """Why an account gets another meter than its site page recommends."""
    others = outcome.program.selected.filter(~pl.col("is_recommended"))
    if others.is_empty():
        return
    named = outcome.options.filter("is_recommended")
    pairs = others.join(named, on=["account_id", "meter_id"], how="left", suffix="_named")
    cheaper = pairs.filter(pl.col("change_cost_usd") < pl.col("change_cost_usd_named")).height
    alone = pairs.filter(pl.col("change_cost_usd_named").is_null()).height
    rest = pairs.height - cheaper - alone
    why = [
        f"{count:,} {words}"
        for count, words in (
            (cheaper, "a cheaper one, so that the money reaches further"),
            (rest, "one of more present value"),
            (alone, "one that pays by itself, as the recommended one does not"),
        )
        if count
    ]
    console.print(
        f"{pairs.height:,} get another meter than their site page recommends: {'; '.join(why)}",
        soft_wrap=True,
    )


def _label(row: dict[str, Any], who: Literal["installed_", ""]) -> str:
    """Size and type as the trade says it, in the units of the results."""
    kind = str(row[f"{who}type" if who else "meter_type"])
    grade = STANDARD_GRADE if who else str(row["grade"])
    if f"{who}size_mm" not in row:
        return label_of(kind, row[f"{who}size_in"], grade, units="us")
    inches = label_of(kind, 0, grade, units="us").removeprefix("0 in")
    return f"{row[f'{who}size_mm']:g} mm{inches}"


def _rankings(ranking: pl.DataFrame, console: Console) -> None:
    table = plain_table("Against a plain ranking under the same limits")
    table.add_column("ranking")
    for heading in ("changes", "cost, USD", "present value, USD", "the programme brings more"):
        table.add_column(heading, justify="right")
    for row in ranking.iter_rows(named=True):
        table.add_row(
            row["ranking"].replace("_", " "),
            f"{row['change_count']:,}",
            money(row["cost_usd"]),
            money(row["net_present_value_usd"]),
            money(row["programme_gain_usd"]),
        )
    console.print(table)


def _curve(curve: pl.DataFrame, console: Console) -> None:
    table = plain_table("What more or less money would bring")
    for heading in ("budget, USD", "changes", "present value, USD", "value of one more USD"):
        table.add_column(heading, justify="right")
    for row in curve.iter_rows(named=True):
        table.add_row(
            money(row["budget_usd"]),
            f"{row['change_count']:,}",
            money(row["net_present_value_usd"]),
            f"{row['marginal_value_usd_per_usd']:.2f}",
        )
    console.print(table)
