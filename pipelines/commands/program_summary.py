"""The year's replacement program on a terminal, and its list as a file for the crews."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any, Literal

import polars as pl
from rich.console import Console

from pipelines.commands.program import ProgramOutcome
from pipelines.commands.query_output import write_answer
from pipelines.sweep.summary import money, money_range, plain_table
from rightsize.evidence.cautions import CAUTIONS
from rightsize.meters.catalogue import STANDARD_GRADE, label_of

_SHOWN = 20


def show_program(outcome: ProgramOutcome, console: Console) -> None:
    """The change-outs, their value, a simple ranking to compare, and what more budget adds."""
    program = outcome.program
    if program.selected.is_empty():
        console.print("No change-out fits within this budget and crew hours.")
    else:
        console.print(
            f"{program.selected.height:,} of {_meters(outcome.options):,} "
            f"meters to change for {money(program.cost_usd)} of {money(program.budget_usd)}: "
            f"net benefit {money(program.net_benefit_usd_per_year)} per year, "
            f"net present value {money(program.net_present_value_usd)}, "
            f"{program.crew_hours:,.0f} crew hours "
            f"(within {program.gap_share * 100:.2f} % of the optimum)",
            soft_wrap=True,
        )
        _selected(program.selected, console)
        _others(outcome, console)
        _rankings(program.ranking, console)
        _curve(program.curve, console)
        _cautions(console)
    if not outcome.overrun_left_out.is_empty():
        console.print(
            f"{outcome.overrun_left_out.height:,} undersized meters are left out: their change "
            "does not pay for itself; review them one by one",
            soft_wrap=True,
        )


def _meters(options: pl.DataFrame) -> int:
    """How many meters have an option; an account with several is changed meter by meter."""
    return options.select("account_id", "meter_id").n_unique()


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
    table = plain_table(f"First {min(_SHOWN, selected.height)} change-outs by return")
    for heading in ("account", "area", "change"):
        table.add_column(heading)
    for heading in ("cost", "net benefit per year", "benefit/cost"):
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
    """Size and type, in the units of the results."""
    kind = str(row[f"{who}type" if who else "meter_type"])
    grade = STANDARD_GRADE if who else str(row["grade"])
    if f"{who}size_mm" not in row:
        return label_of(kind, row[f"{who}size_in"], grade, units="us")
    inches = label_of(kind, 0, grade, units="us").removeprefix("0 in")
    return f"{row[f'{who}size_mm']:g} mm{inches}"


def _rankings(ranking: pl.DataFrame, console: Console) -> None:
    table = plain_table("Compared with a simple ranking within the same limits")
    table.add_column("ranking")
    for heading in ("changes", "cost", "net present value", "program advantage"):
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


def _cautions(console: Console) -> None:
    """What every crew must heed, whatever the list says."""
    console.print("Before any meter is lifted:")
    for lead, text in CAUTIONS:
        console.print(f"- {lead} {text}", soft_wrap=True, markup=False, highlight=False)


def _curve(curve: pl.DataFrame, console: Console) -> None:
    table = plain_table("Value of a larger or smaller budget")
    for heading in ("budget", "changes", "net present value", "value of one more dollar"):
        table.add_column(heading, justify="right")
    for row in curve.iter_rows(named=True):
        table.add_row(
            money(row["budget_usd"]),
            f"{row['change_count']:,}",
            money(row["net_present_value_usd"]),
            f"${row['marginal_value_usd_per_usd']:.2f}",
        )
    console.print(table)
