"""The test program on a terminal, and its lists as files for the crews and the shop."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import polars as pl
from rich.console import Console

from pipelines.commands.query_output import write_answer
from pipelines.stages.meter_tests.program import TestProgram
from pipelines.store.leftovers import drop_of_the_dead
from pipelines.sweep.summary import money, plain_table
from rightsize.evidence.cautions import CAUTIONS
from rightsize.meter_tests.due import REASONS
from rightsize.meter_tests.layouts import FILES
from rightsize.meters.catalogue import label_of
from rightsize.units import MM_PER_IN, UnitSystem
from rightsize.units.column_units import (
    DN_MM,
    is_size,
    metric_name,
    metric_value,
    nominal_mm,
)

_SHOWN: Final = 12
_DUE_WORDS: Final = {
    "rule": "rule",
    "throughput": "through-\nput",
    "age": "age",
    "money": "money",
}


def show_test_program(program: TestProgram, console: Console, *, units: UnitSystem) -> None:
    """Meters due by type and size, the most worth testing, lots, and outcomes of tests."""
    due = program.due.filter("is_due")
    unknown = program.due.filter(~pl.col("is_date_known")).height
    console.print(
        f"{due.height:,} of {program.due.height:,} meters are due for a test in the"
        f" {program.within_months:g} months from {program.as_of:%Y-%m-%d}: {_counts(due)};"
        f" tests cost {money(_sum(due, 'test_cost_usd'))}",
        soft_wrap=True,
    )
    if due.filter(_has("money")).height:
        console.print(
            "money rests on the wear rates of thresholds.yaml (common practice unless they are"
            " yours): the first tests tell whether they hold",
            soft_wrap=True,
        )
    if unknown:
        console.print(
            f"{unknown:,} meters have no date of installation or test on record: whether the"
            " rule holds for them cannot be shown (installed_on in meters.csv)",
            soft_wrap=True,
        )
    _by_kind(program.due, console, units)
    _worth_most(due, console, units)
    _lots(program, console, units)
    _outcomes(program.outcomes, console, units)
    console.print("Before any meter is lifted or tested in place:")
    for lead, text in CAUTIONS:
        console.print(f"- {lead} {text}", soft_wrap=True)


def write_test_program(program: TestProgram, folder: Path, *, units: UnitSystem) -> list[Path]:
    """The program's lists as CSV, in the units of the results; returns the files."""
    folder.mkdir(parents=True, exist_ok=True)
    drop_of_the_dead(folder, ".*")
    frames = {
        "meters_due": program.due.filter(pl.col("is_due") | ~pl.col("is_date_known")),
        "lots": program.lots,
        "sample": program.sample,
        "outcomes": program.outcomes,
        "test_flows": program.flows,
    }
    paths = []
    for name, frame in frames.items():
        rows = frame.select(c.name for c in FILES[name].columns)
        path = folder / f"{name}.csv"
        reader = _in_units(rows, units).to_arrow().to_reader()
        write_answer(reader, "csv", None, path, sys.stdout)
        paths.append(path)
    return paths


def _in_units(rows: pl.DataFrame, units: UnitSystem) -> pl.DataFrame:
    if units == "us":
        return rows
    return rows.select(_metric(name) for name in rows.columns)


def _metric(name: str) -> pl.Expr:
    """A column under its metric name, in its metric unit."""
    if metric_name(name) == name:
        return pl.col(name)
    if is_size(name):
        sizes = {size: nominal_mm(size) for size in DN_MM}
        value = pl.col(name).replace_strict(sizes, default=pl.col(name) * MM_PER_IN)
    else:
        value = pl.col(name) * metric_value(name, 1.0)
    return value.alias(metric_name(name))


def _counts(due: pl.DataFrame) -> str:
    found = [
        f"{count:,} by {code}" for code in REASONS if (count := due.filter(_has(code)).height)
    ]
    return ", ".join(found) or "none"


def _has(code: str) -> pl.Expr:
    return pl.col("due_by").str.split(" ").list.contains(code)


def _sum(frame: pl.DataFrame, column: str) -> float:
    return float(frame[column].cast(pl.Float64).sum())


def _by_kind(due: pl.DataFrame, console: Console, units: UnitSystem) -> None:
    kinds = (
        due.group_by("meter_type", "size_in")
        .agg(
            pl.len().alias("meters"),
            pl.col("is_due").sum().alias("due"),
            *(_has(code).sum().alias(code) for code in REASONS),
            (~pl.col("is_date_known")).sum().alias("undated"),
            pl.col("test_cost_usd").filter("is_due").sum().alias("cost"),
        )
        .sort("meter_type", "size_in")
    )
    table = plain_table("Meters due, by type and size (a meter may be due for several reasons)")
    table.padding = (0, 1, 0, 0)
    table.add_column("meter")
    heads = ("in\nservice", "due", *_DUE_WORDS.values(), "no\ndate", "cost of\ntests")
    for head in heads:
        table.add_column(head, justify="right")
    for row in kinds.iter_rows(named=True):
        counts = [row[n] for n in ("meters", "due", *REASONS, "undated")]
        table.add_row(_label(row, units), *(f"{n:,}" if n else "." for n in counts),
                      money(row["cost"]) if row["cost"] else ".")  # fmt: skip
    console.print(table)


def _worth_most(due: pl.DataFrame, console: Console, units: UnitSystem) -> None:
    first = due.filter(pl.col("net_value_usd") > 0).head(_SHOWN)
    if first.is_empty():
        return
    table = plain_table("Tests worth most, over their cost")
    table.padding = (0, 1, 0, 0)
    for head in ("account", "meter", "due by", "where"):
        table.add_column(head)
    for head in ("value of\nthe test", "cost"):
        table.add_column(head, justify="right")
    for row in first.iter_rows(named=True):
        table.add_row(row["account_id"], _label(row, units), row["due_by"], row["place"],
                      money(row["test_value_usd"]), money(row["test_cost_usd"]))  # fmt: skip
    console.print(table)


def _lots(program: TestProgram, console: Console, units: UnitSystem) -> None:
    if program.lots.is_empty():
        return
    few = f", the first {_SHOWN} of {program.lots.height:,}" * (program.lots.height > _SHOWN)
    table = plain_table(
        f"Lots of small meters{few}: meters to test at random, and what tests say"
    )
    table.padding = (0, 1, 0, 0)
    table.add_column("lot")
    heads = ("meters", "test", "accept\nup to", "tested", "out", "out of limits,\n90 % range")
    for head in heads:
        table.add_column(head, justify="right")
    table.add_column("lot is")
    for row in program.lots.head(_SHOWN).iter_rows(named=True):
        table.add_row(
            f"{_label(row, units)}\n{row['age_group']}",
            *(
                f"{row[n]:,}"
                for n in (
                    "lot_count", "sample_count", "accept_count", "tested_count", "out_count",
                )
            ),
            _range(row),
            row["decision"],
        )  # fmt: skip
    console.print(table)
    console.print(
        f"{program.sample.height:,} meters drawn for the sample (ANSI/ASQ Z1.4, single plan,"
        " normal inspection); a lot's range holds for meters drawn at random only",
        soft_wrap=True,
    )


def _range(row: Mapping[str, Any]) -> str:
    if row["out_pct"] is None:
        return "."
    return f"{row['out_low_pct']:.0f} to {row['out_high_pct']:.0f} %"


def _outcomes(outcomes: pl.DataFrame, console: Console, units: UnitSystem) -> None:
    if outcomes.is_empty():
        console.print("No accuracy test of a meter in service (accuracy_tests in sweep.yaml).")
        return
    counted = dict(outcomes["outcome"].value_counts().iter_rows())
    said = ", ".join(f"{counted.get(o, 0):,} {o}" for o in ("pass", "repair", "replace"))
    shown = outcomes.filter(pl.col("outcome") != "pass").head(_SHOWN)
    console.print(f"{outcomes.height:,} tested meters: {said}")
    if shown.is_empty():
        return
    table = plain_table("Meters to repair or replace, the costliest error first")
    table.padding = (0, 1, 0, 0)
    for head in ("account", "meter", "outcome", "reason"):
        table.add_column(head)
    for row in shown.iter_rows(named=True):
        table.add_row(row["account_id"], _label(row, units), row["outcome"], row["reason"])
    console.print(table)


def _label(row: Mapping[str, Any], units: UnitSystem) -> str:
    grade = row.get("grade") or "standard"
    return label_of(row["meter_type"], row["size_in"], grade, units=units)
