"""Low flow and steady flow of change-outs in two sentences, for `rightsize verify`."""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl

from rightsize.units import UnitSystem
from rightsize.units.plain_number import plain_number
from rightsize.verify.leaks.persistence import pooled_persistence
from rightsize.wording import UnitNames

_DAYS_PER_YEAR = 365.25
_DIGITS = 3


def flow_lines(rows: pl.DataFrame, units: UnitSystem) -> Iterator[str]:
    """What showed below the old meters' normal range, and what is left of new steady flow.

    Parameters
    ----------
    rows : frame
        Rows of realised_gain in US units.
    """
    names = UnitNames(units)
    yield from _low_flow(rows, names)
    yield from _steady(rows, names)


def _low_flow(rows: pl.DataFrame, names: UnitNames) -> Iterator[str]:
    both = rows.drop_nulls(["low_flow_before_gal_per_year", "low_flow_after_gal_per_year"])
    if both.is_empty():
        return
    before, after = (_a_day(both, f"low_flow_{side}", names) for side in ("before", "after"))
    text = (
        f"Low flow: {both.height:,} change-outs registered {before} {names.volume_unit} a day"
        f" below the old meters' normal range before and {after} after"
    )
    held = both.drop_nulls("missed_inferred_gal_per_year").with_columns(
        shown_gal_per_year=pl.col("low_flow_after_gal_per_year")
        - pl.col("low_flow_before_gal_per_year")
    )
    if held.height:
        shown, missed = (_a_day(held, name, names) for name in ("shown", "missed_inferred"))
        text += (
            f"; {held.height:,} of them with a promise {shown} more, where its sweep inferred"
            f" {missed} that the old meters missed"
        )
    yield text + "."


def _a_day(rows: pl.DataFrame, name: str, names: UnitNames) -> str:
    gal = float(rows[f"{name}_gal_per_year"].sum()) / _DAYS_PER_YEAR
    return plain_number(gal * names.volume_per_gal, _DIGITS, parted=names.parted)


def _steady(rows: pl.DataFrame, names: UnitNames) -> Iterator[str]:
    new = rows["steady_new_gpm"].drop_nulls()
    if new.is_empty():
        return
    flow = plain_number(float(new.sum()) * names.flow_per_gpm, _DIGITS, parted=names.parted)
    left = [
        f"{100 * row['left_share']:.0f} % ({100 * row['left_low_share']:.0f} to "
        f"{100 * row['left_high_share']:.0f}) after {row['months_after']} months"
        for row in pooled_persistence(rows).drop_nulls("left_share").iter_rows(named=True)
    ]
    still = (
        f"; still there: {', '.join(left)}" if left else ", too few to say how long it stays"
    )
    yield (
        f"New steady flow: {len(new):,} change-outs show {flow} {names.flow_unit} day and night"
        f" that was not seen before{still}."
    )
