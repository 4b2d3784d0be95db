"""The summary printed at the end of a sweep."""

from __future__ import annotations

from pathlib import Path

import duckdb
from rich import box
from rich.console import Console
from rich.table import Table

from pipelines.stages.publish.history import open_held
from pipelines.store.resources import sql_text
from rightsize.evidence.words import VERDICT_WORD
from rightsize.units.column_units import metric_text
from rightsize.wording import probability_figure


def show_summary(results: Path, console: Console) -> None:
    """Meters by verdict, net benefit, the ten best change-outs, exceptions and why."""
    with open_held(results) as connection:
        connection.execute("set TimeZone = 'UTC'")
        _verdicts(connection, console)
        _corrected(connection, console)
        _leak_repair(connection, console)
        _best(connection, console)
        _refused(connection, console)


def _verdicts(connection: duckdb.DuckDBPyConnection, console: Console) -> None:
    table = plain_table("Meters by verdict")
    table.add_column("verdict")
    for heading in ("meters", "change", "log first", "keep", "engineering\nreview"):
        table.add_column(heading, justify="right")
    table.add_column("net benefit of\nchanges per year", justify="right")
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


def _corrected(connection: duckdb.DuckDBPyConnection, console: Console) -> None:
    """Whether past change-outs correct the gains above, if the sweep was asked to."""
    row = connection.execute(sql_text("80_summary/gain_correction")).fetchone()
    if row is None:
        return
    is_applied, cases, least, factor, low, high = row
    said = (
        f"Gains are corrected by {cases:,} past change-outs: multiplied by {factor:.2f}"
        f" ({low:.2f} to {high:.2f} by type, size and class). Each reason says so."
        if is_applied
        else f"Gains are not corrected: correct_gains needs {least} past change-outs with a"
        f" promise and a gain; there are {cases:,}."
    )
    console.print(said, soft_wrap=True)


def _leak_repair(connection: duckdb.DuckDBPyConnection, console: Console) -> None:
    """What past change-outs teach about the repair of leaks, if they teach anything."""
    rows = connection.execute(sql_text("80_summary/leak_repair")).fetchall()
    told = [
        f"{100 * used:.0f} % after {months} months"
        f" ({100 * seen:.0f} % in {cases:,} cases, {100 * was:.0f} % set)"
        for months, cases, seen, was, used in rows
        if seen is not None
    ]
    if told:
        said = f"Steady flow that a new meter shows still runs: {'; '.join(told)}."
        console.print(said, soft_wrap=True)
        console.print()


def _best(connection: duckdb.DuckDBPyConnection, console: Console) -> None:
    statement, unit = sql_text("80_summary/best_change"), "in"
    if _units(connection) == "metric":
        statement, unit = metric_text(statement), "mm"
    rows = connection.execute(statement).fetchall()
    if not rows:
        console.print("No change-out reaches the required probability of positive net benefit.")
        return
    table = plain_table("Ten best change-outs")
    table.add_column("account, customer class")
    table.add_column("change")
    table.add_column("weighted\naccuracy", justify="right")
    table.add_column("net benefit per year", justify="right", no_wrap=True)
    table.add_column("probability of\npositive net benefit", justify="right")
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
    table = plain_table("Meters not assessed, findings, rejected rows")
    table.add_column("type", no_wrap=True)
    table.add_column("count", justify="right")
    table.add_column("example", overflow="fold")
    for what, count, example in rows:
        table.add_row(what, f"{count:,}", example)
    console.print(table)


def plain_table(title: str) -> Table:
    """A table in the plain style of all commands."""
    return Table(title=title, title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)


def _count(number: int) -> str:
    return f"{number:,}" if number else "."


def money_range(estimate: float, low: float, high: float) -> str:
    """`$1,230 ($900 to $1,600)`: an estimate and its 90 % interval."""
    return f"{money(estimate)} ({money(low)} to {money(high)})"


def money(usd: float) -> str:
    """US dollars to three significant digits, which is all the precision there is."""
    if abs(usd) < 1000:
        return _dollars(usd)
    digits = len(str(int(abs(usd))))
    return _dollars(round(usd, 3 - digits))


def _dollars(usd: float) -> str:
    text = f"{abs(usd):,.0f}"
    return f"-${text}" if usd < 0 and text != "0" else f"${text}"


def _odds(share: float | None) -> str:
    if share is None:
        return ""
    return f"{100 * probability_figure(share):.0f} %"
