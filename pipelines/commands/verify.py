"""Verify: what came of past change-outs against what was promised, from published results."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
from rich.console import Console

from pipelines.commands.query_output import write_answer
from pipelines.commands.verify_flow import flow_lines
from pipelines.stages.publish.history import open_held
from pipelines.stages.verify import view_in_us_units
from pipelines.sweep.summary import money, money_range, plain_table
from rightsize.contracts.realised_gain import NO_GAIN_CODES, REALISED_GAIN
from rightsize.errors import ConfigError
from rightsize.units import UnitSystem
from rightsize.units.column_units import metric_name, metric_value
from rightsize.units.plain_number import rounded
from rightsize.verify.calibration import (
    LEAST_CASES,
    SIGNIFICANT_SHARE,
    Calibration,
    calibration,
)
from rightsize.verify.rows import promises_of
from rightsize.wording import UnitNames

Row = dict[str, Any]

_SHOWN = 20
_VERDICT = {"gain": "gain", "loss": "loss", "not_shown": "not shown"}
_AGAINST = {"short": ", short of promise", "held": ", as promised", "more": ", above promise"}


@dataclass(frozen=True)
class Verified:
    """Every change-out in US units, as the views tell them, and how promises held."""

    rows: pl.DataFrame  # of realised_gain
    results: tuple[Row, ...]  # of change_out_result, in the published units
    total: Row | None  # of change_out_total
    promise_count: int  # change-outs with a promise and a gain
    calibration: Calibration | None  # None with too few of them


def verified(results: Path) -> Verified:
    """Read the change-outs that the newest sweep judged.

    Raises
    ------
    ConfigError
        If nothing is published yet, or by an earlier version of the tool.
    """
    if not results.exists():
        raise ConfigError(f"{results}: no results yet; run `rightsize sweep` first")
    with open_held(results) as connection:
        lines = _rows(connection, "from results.change_out_result")
        totals = _rows(connection, "from results.change_out_total where scope = 'all'")
        view_in_us_units(connection, REALISED_GAIN, "kept_gain")
        rows: pl.DataFrame = connection.sql(
            "from kept_gain order by account_id, changed_on, removed_meter_id"
        ).pl()
    promises = promises_of(rows)
    return Verified(
        rows,
        lines,
        totals[0] if totals else None,
        len(promises.promised_share),
        calibration(promises),
    )


def _rows(connection: duckdb.DuckDBPyConnection, sql: str) -> tuple[Row, ...]:
    return tuple(connection.sql(sql).pl().to_dicts())


def show_verified(
    outcome: Verified, console: Console, *, units: UnitSystem, config: Path | None = None
) -> None:
    """What came, case by case, why others cannot be told, how promises held, what is next."""
    rows = outcome.rows
    told = [r for r in outcome.results if r["standing"] == "judged"]
    console.print(f"{rows.height:,} change-outs, {len(told):,} with a gain that can be told")
    if told:
        _gains(told, console)
        _total(outcome, console, UnitNames(units))
    for line in flow_lines(rows, units):
        console.print(line)
    _untold(outcome, console)
    console.print(_promise_text(outcome))
    for line in _next(outcome, config):
        console.print(line, soft_wrap=True)


def write_verified(outcome: Verified, path: Path, *, units: UnitSystem) -> None:
    """All change-outs as CSV, in the units of the results, safe to open in a spreadsheet."""
    rows = outcome.rows
    if units == "metric":
        rows = rows.select(
            (pl.col(n) * metric_value(n, 1.0)).alias(metric_name(n))
            if metric_name(n) != n
            else pl.col(n)
            for n in rows.columns
        )
    write_answer(rows.to_arrow().to_reader(), "csv", None, path, sys.stdout)


def _gains(told: list[Row], console: Console) -> None:
    few = (
        f"First {_SHOWN} of {len(told):,} change-outs" if len(told) > _SHOWN else "Change-outs"
    )
    table = plain_table(f"{few}, gain as a share of the use before")
    table.padding = (0, 1, 0, 0)  # so that it fits 80 columns
    table.add_column("account,\nchanged on", no_wrap=True)
    table.add_column("meter put in", min_width=15)
    table.add_column("promised", justify="right", no_wrap=True)
    table.add_column("came,\n90 % range", justify="right", no_wrap=True)
    table.add_column("to date", justify="right", no_wrap=True)
    table.add_column("verdict", min_width=11)
    order = sorted(told, key=lambda r: (-r["realised_gain_pct"], r["account_id"]))
    for row in order[:_SHOWN]:
        table.add_row(
            f"{row['account_id']}\n{row['changed_on']}",
            _meter(row),
            _pct(row["promised_gain_pct"]),
            f"{_pct(row['realised_gain_pct'])}\n{row['realised_gain_low_pct']:+.1f} to"
            f" {row['realised_gain_high_pct']:+.1f}",
            _usd(row),
            f"{_VERDICT[row['came']]}{_AGAINST.get(row['against_promise'] or '', '')}",
        )
    console.print(table)


def _meter(row: Row) -> str:
    if row["installed_type"] is None:
        return (row["kind"] or "").replace("_", " ")
    size, unit = (
        (row["installed_size_in"], "in")
        if "installed_size_in" in row
        else (row["installed_size_mm"], "mm")
    )
    return f"{size:g} {unit} {row['installed_type'].replace('_', ' ')}"


def _pct(value: float | None) -> str:
    return "none" if value is None else f"{value:+.1f} %"


def _usd(row: Row) -> str:
    return "" if row["realised_to_date_usd"] is None else money(row["realised_to_date_usd"])


def _total(outcome: Verified, console: Console, words: UnitNames) -> None:
    total = outcome.total
    if total is None:
        return
    suffix = "m3_per_year" if words.is_metric else "gal_per_year"
    came, low, high = (
        rounded(total[f"realised_gain_{end}{suffix}"], 3) for end in ("", "low_", "high_")
    )
    dollars = [total[f"realised_to_date_{end}usd"] for end in ("", "low_", "high_")]
    said = f"In total {came:,.0f} {words.volume_unit} per year ({low:,.0f} to {high:,.0f})"
    if None not in dollars:
        said += f"; to date {money_range(*dollars)}"
    console.print(f"{said}.")
    if total["promises"]:
        kept = total[f"realised_of_promised_{suffix}"] / total[f"promised_gain_{suffix}"]
        console.print(
            f"Of what was promised {100 * kept:.0f} % came; {total['promises_short']:,} of "
            f"{total['promises']:,} promises lie above the whole range of what came."
        )


def _untold(outcome: Verified, console: Console) -> None:
    """Reasons for which nothing can be told, with their count and one account."""
    by_code: dict[str, list[str]] = {}
    for row in outcome.results:
        if row["code"] is not None:
            by_code.setdefault(row["code"], []).append(row["account_id"])
    for code in sorted(by_code):
        accounts = by_code[code]
        console.print(
            f"  {len(accounts):,}: {NO_GAIN_CODES[code]} ({code}), such as {min(accounts)}"
        )


def _next(outcome: Verified, config: Path | None) -> list[str]:
    """What to do about it."""
    name = config or "sweep.yaml"
    held = outcome.calibration
    lines = []
    if held is not None and held.is_over_promised:
        lines.append(
            "next: have new meters tested where promises are short again and again: rightsize "
            f"query {name} \"select * from change_out_result where against_promise = 'short'\""
        )
    if any(r["standing"] == "set_aside" for r in outcome.results):
        lines.append(
            "next: look into the change-outs set aside (a wrong multiplier is bills at stake): "
            f'rightsize query {name} "select * from change_out_result'
            " where standing = 'set_aside'\""
        )
    return lines


def _promise_text(outcome: Verified) -> str:
    held = outcome.calibration
    if held is None:
        return (
            f"Promises: {outcome.promise_count:,} change-outs have both a promise and a gain; "
            f"with fewer than {LEAST_CASES} nothing is said of how promises hold."
        )
    said = (
        "less came than was promised"
        if held.is_over_promised
        else "more came than was promised"
        if held.bias_probability < SIGNIFICANT_SHARE
        else "no difference that chance would not explain"
    )
    return (
        f"Promises of {held.case_count:,} change-outs: {said}. Realized less promised "
        f"{100 * held.bias_share:+.1f} points of use ({100 * held.bias_low_share:+.1f} to "
        f"{100 * held.bias_high_share:+.1f}), slope {held.slope:.2f} ({held.slope_low:.2f} to "
        f"{held.slope_high:.2f}), {100 * held.covered_share:.0f} % within their range "
        "(90 % if promises hold)."
    )
