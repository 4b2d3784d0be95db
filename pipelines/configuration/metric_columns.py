"""Metric columns of `meters.csv`, converted to US units on input."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import polars as pl

from rightsize.units import FT2_PER_M2, MM_PER_IN, PSI_PER_BAR, SIZE_IN_OF_MM

METRIC_COLUMNS: Final[dict[str, tuple[str, float | None]]] = {
    "size_mm": ("size_in", None),
    "service_line_mm": ("service_line_in", None),
    "lay_length_mm": ("lay_length_in", 1 / MM_PER_IN),
    "straight_run_mm": ("straight_run_in", 1 / MM_PER_IN),
    "spare_head_bar": ("spare_head_psi", PSI_PER_BAR),
    "floor_area_m2": ("floor_area_ft2", FT2_PER_M2),
}
"""Metric column -> our column and our units in one of its units; None for nominal sizes."""

_DN: Final = r"(?i)^\s*dn\s*"


def in_us_columns(path: Path, texts: pl.DataFrame) -> tuple[pl.DataFrame, list[str]]:
    """The rows with metric columns converted, still as text, and any errors.

    A row may give a value in either unit, not in both. Sizes are also read as `DN50`.
    """
    problems: list[str] = []
    for metric, (ours, factor) in METRIC_COLUMNS.items():
        if metric in texts.columns:
            texts, wrong = _replaced(path, texts, metric, ours, factor)
            problems += wrong
    return texts, problems


def _replaced(
    path: Path, texts: pl.DataFrame, metric: str, ours: str, factor: float | None
) -> tuple[pl.DataFrame, list[str]]:
    given = pl.col(metric).fill_null("") != ""
    is_ours = pl.col(ours).fill_null("") != ""
    number = pl.col(metric).str.replace(_DN, "").cast(pl.Float64, strict=False)
    value = (
        number.replace_strict(SIZE_IN_OF_MM, default=None, return_dtype=pl.Float64)
        if factor is None
        else number * factor
    )
    valued = texts.with_columns(value.alias("value"))
    problems = [
        f"{path} line {line}: give {metric} or {ours}, not both"
        for line in valued.filter(given & is_ours)["line"]
    ]
    sizes = ", ".join(f"{mm:g}" for mm in SIZE_IN_OF_MM)
    wanted = f"one of {sizes}" if factor is None else "a number"
    unread = valued.filter(given & ~pl.col("value").is_finite().fill_null(value=False))
    problems += [
        f"{path} line {line}: {metric} {got!r} must be {wanted}"
        for line, got in unread.select("line", metric).iter_rows()
    ]
    if ours == "size_in":
        neither = valued.filter(~given & ~is_ours)
        problems += [f"{path} line {line}: {metric} is empty" for line in neither["line"]]
    converted = pl.when(given).then(pl.col("value").cast(pl.String)).otherwise(pl.col(ours))
    return valued.with_columns(converted.alias(ours)).drop("value", metric), problems
