"""Verify: what came of past change-outs against what was promised, from published results."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl
from rich.console import Console

from pipelines.commands.query_output import write_answer
from pipelines.stages.publish.history import open_held
from pipelines.stages.verify import view_in_us_units
from pipelines.sweep.summary import plain_table
from rightsize.contracts.realised_gain import NO_GAIN_CODES, REALISED_GAIN
from rightsize.errors import ConfigError
from rightsize.units import UnitSystem
from rightsize.units.column_units import metric_name, metric_value
from rightsize.verify.calibration import (
    LEAST_CASES,
    SIGNIFICANT_SHARE,
    Calibration,
    calibration,
)
from rightsize.verify.rows import promises_of

_SHOWN = 20
_GAIN = "realised_gain_gal_per_year"


@dataclass(frozen=True)
class Verified:
    """Every change-out in US units, and how the promises among them held."""

    rows: pl.DataFrame
    promise_count: int  # change-outs with a promise and a gain
    calibration: Calibration | None  # None with too few of them


def verified(results: Path) -> Verified:
    """Read the change-outs that the newest sweep judged.

    Raises
    ------
    ConfigError
        If nothing is published yet.
    """
    if not results.exists():
        raise ConfigError(f"{results}: no results yet; run `rightsize sweep` first")
    with open_held(results) as connection:
        view_in_us_units(connection, REALISED_GAIN, "kept_gain")
        rows: pl.DataFrame = connection.sql(
            "from kept_gain order by account_id, changed_on, removed_meter_id"
        ).pl()
    promises = promises_of(rows)
    return Verified(rows, len(promises.promised_share), calibration(promises))


def show_verified(outcome: Verified, console: Console, *, units: UnitSystem) -> None:
    """How many change-outs have an answer, why others have none, and how promises held."""
    rows = outcome.rows
    told = rows.filter(pl.col("realised_gain_pct").is_not_null())
    console.print(f"{rows.height:,} change-outs, {told.height:,} with a gain that can be told")
    for code, count in rows["code"].drop_nulls().value_counts().sort("code").iter_rows():
        console.print(f"  {count:,}: {NO_GAIN_CODES[code]} ({code})", soft_wrap=True)
    if not told.is_empty():
        _gains(told, console, units)
    console.print(_promise_text(outcome), soft_wrap=True)


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


def _gains(told: pl.DataFrame, console: Console, units: UnitSystem) -> None:
    unit = "gal" if units == "us" else "m3"
    table = plain_table(f"First {min(_SHOWN, told.height)} change-outs by gain")
    for heading in ("account", "changed on", "kind"):
        table.add_column(heading)
    for heading in ("gain", f"{unit} per year", f"promised {unit} per year"):
        table.add_column(heading, justify="right")
    largest = told.sort([_GAIN, "account_id"], descending=[True, False]).head(_SHOWN)
    for row in largest.iter_rows(named=True):
        table.add_row(
            row["account_id"],
            f"{row['changed_on']}",
            (row["kind"] or "").replace("_", " "),
            f"{row['realised_gain_pct']:+.1f} % ({row['realised_gain_low_pct']:+.1f} to"
            f" {row['realised_gain_high_pct']:+.1f})",
            _volume(row, _GAIN, units),
            _volume(row, "promised_gain_gal_per_year", units),
        )
    console.print(table)


def _volume(row: dict[str, Any], name: str, units: UnitSystem) -> str:
    if row[name] is None:
        return "none"
    return f"{row[name] if units == 'us' else metric_value(name, row[name]):,.0f}"


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
