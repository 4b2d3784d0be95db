"""The closing summary of a sweep: what a practitioner reads at a glance."""

from __future__ import annotations

from pathlib import Path

import duckdb
from rich.console import Console
from rich.table import Table

from pipelines.resources import sql_text

VERDICT_WORDS = {
    "oversized": "oversized",
    "undersized": "undersized",
    "wrong_type": "wrong type",
    "fits": "fits",
    "not_assessed": "not assessed",
}


def show_summary(results: Path, console: Console) -> None:
    """Fleet counts, money at stake, the ten best change-outs, what was refused and why."""
    with duckdb.connect(str(results), read_only=True) as connection:
        connection.execute("set TimeZone = 'UTC'")
        _verdicts(connection, console)
        _best(connection, console)
        _refused(connection, console)


def _verdicts(connection: duckdb.DuckDBPyConnection, console: Console) -> None:
    table = Table(title="Fleet by verdict", title_justify="left")
    table.add_column("verdict")
    for heading in ("meters", "change", "log first", "keep", "refer"):
        table.add_column(heading, justify="right")
    table.add_column("net benefit of changes, USD/year (90 % range)", justify="right")
    for row in connection.execute(sql_text("80_summary/verdict_count")).fetchall():
        verdict, meters, change, log_first, keep, refer, net, low, high = row
        money = f"{net:,.0f} ({low:,.0f} to {high:,.0f})" if change else ""
        table.add_row(
            VERDICT_WORDS[verdict], f"{meters:,}", f"{change:,}", f"{log_first:,}", f"{keep:,}",
            f"{refer:,}", money,
        )  # fmt: skip
    console.print(table)


def _best(connection: duckdb.DuckDBPyConnection, console: Console) -> None:
    rows = connection.execute(sql_text("80_summary/best_change")).fetchall()
    if not rows:
        console.print("No change-out passes the odds asked for.")
        return
    table = Table(title="The ten best change-outs", title_justify="left")
    table.add_column("account")
    table.add_column("class")
    table.add_column("installed")
    table.add_column("install")
    table.add_column("accuracy, %", justify="right")
    table.add_column("net USD/year (90 %)", justify="right")
    table.add_column("odds", justify="right")
    for account, kind, installed, install, before, after, net, low, high, odds in rows:
        table.add_row(
            account, kind.replace("_", " "), installed, install, f"{before:.1f} -> {after:.1f}",
            f"{net:,.0f} ({low:,.0f} to {high:,.0f})", f"{odds:.2f}",
        )  # fmt: skip
    console.print(table)


def _refused(connection: duckdb.DuckDBPyConnection, console: Console) -> None:
    rows = connection.execute(sql_text("80_summary/refused")).fetchall()
    if not rows:
        return
    table = Table(title="Not assessed, refused or found", title_justify="left")
    table.add_column("what")
    table.add_column("count", justify="right")
    table.add_column("meaning or example")
    for what, count, example in rows:
        table.add_row(what, f"{count:,}", example)
    console.print(table)
