"""The closing summary of a sweep: what a practitioner reads at a glance."""

from __future__ import annotations

from pathlib import Path

import duckdb
from rich import box
from rich.console import Console
from rich.table import Table

from pipelines.store.resources import sql_text
from rightsize.evidence.words import VERDICT_WORD
from rightsize.units.column_units import metric_text
from rightsize.wording import probability_figure


def show_summary(results: Path, console: Console) -> None:
    """Fleet counts, money at stake, the ten best change-outs, what was refused and why."""
    with duckdb.connect(str(results), read_only=True) as connection:
        connection.execute("set TimeZone = 'UTC'")
        _verdicts(connection, console)
        _best(connection, console)
        _refused(connection, console)


def _verdicts(connection: duckdb.DuckDBPyConnection, console: Console) -> None:
    table = plain_table("Fleet by verdict")
    table.add_column("verdict")
    for heading in ("meters", "change", "log first", "keep", "refer"):
        table.add_column(heading, justify="right")
    table.add_column("changes bring, USD/year net", justify="right")
    for row in connection.execute(sql_text("80_summary/verdict_count")).fetchall():
        verdict, meters, change, log_first, keep, refer, net, low, high = row
        money = money_range(net, low, high) if change else ""
        counts = (_count(n) for n in (meters, change, log_first, keep, refer))
        table.add_row(VERDICT_WORD[verdict], *counts, money)
    total = connection.execute(sql_text("80_summary/fleet_total")).fetchone()
    if total is not None:
        changes, net, low, high = total
        table.add_row(
            "all changes", "", _count(changes), "", "", "", money_range(net, low, high)
        )
    console.print(table)


def _best(connection: duckdb.DuckDBPyConnection, console: Console) -> None:
    statement, unit = sql_text("80_summary/best_change"), "in"
    if _units(connection) == "metric":
        statement, unit = metric_text(statement), "mm"
    rows = connection.execute(statement).fetchall()
    if not rows:
        console.print("No change-out passes the odds asked for.")
        return
    table = plain_table("The ten best change-outs")
    table.add_column("account, class")
    table.add_column("change")
    table.add_column("accuracy", justify="right")
    table.add_column("USD/year net", justify="right")
    table.add_column("odds", justify="right")
    for account, kind, *meters, before, after, net, low, high, odds in rows:
        old_size, old_type, new_size, new_type = meters
        change = f"{old_size:g} {unit} {old_type} to {new_size:g} {unit} {new_type}"
        table.add_row(
            f"{account}, {kind.replace('_', ' ')}",
            change.replace("_", " "),
            f"{before:.0f} to {after:.0f} %",
            money_range(net, low, high),
            _odds(odds),
        )
    console.print(table)


def _units(connection: duckdb.DuckDBPyConnection) -> str:
    [(units,)] = connection.execute(
        "select max_by(units, sweep_id) from results.sweep"
    ).fetchall()
    return str(units)


def _refused(connection: duckdb.DuckDBPyConnection, console: Console) -> None:
    rows = connection.execute(sql_text("80_summary/refused")).fetchall()
    if not rows:
        return
    table = plain_table("Not assessed, found beside the verdict, refused")
    table.add_column("what", no_wrap=True)
    table.add_column("count", justify="right")
    table.add_column("for example", overflow="fold")
    for what, count, example in rows:
        table.add_row(what, f"{count:,}", example)
    console.print(table)


def plain_table(title: str) -> Table:
    """A table of our plain look."""
    return Table(title=title, title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)


def _count(number: int) -> str:
    return f"{number:,}" if number else "."


def money_range(estimate: float, low: float, high: float) -> str:
    """`1,230 (900 to 1,600)`: an estimate and its 90 % interval."""
    return f"{money(estimate)} ({money(low)} to {money(high)})"


def money(usd: float) -> str:
    """Three figures that count: more would feign a precision that is not there."""
    if abs(usd) < 1000:
        return f"{usd:,.0f}"
    digits = len(str(int(abs(usd))))
    return f"{round(usd, 3 - digits):,.0f}"


def _odds(share: float | None) -> str:
    if share is None:
        return ""
    return f"{probability_figure(share):.2f}"
