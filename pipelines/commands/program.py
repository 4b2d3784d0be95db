"""Program: this year's change-outs from the published results, under a budget and crews."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipelines.stages.publish.history import open_held
from pipelines.store.resources import sql_text
from rightsize.errors import ConfigError
from rightsize.recommend.program.choose_program import Program, choose_program
from rightsize.recommend.program.options import Lots
from rightsize.settings import Thresholds
from rightsize.units import MM_PER_IN, SIZE_IN_OF_MM, UnitSystem
from rightsize.units.column_units import metric_text


@dataclass(frozen=True)
class ProgramOutcome:
    """A program, its options and the undersized meters it leaves out."""

    program: Program
    options: pl.DataFrame  # every change-out that might have been chosen
    overrun_left_out: pl.DataFrame  # undersized meters that money alone does not justify


def program(
    results: Path,
    thresholds: Thresholds,
    *,
    budget_usd: float,
    crews: int | None = None,
    crew_hours_per_year: float = 1600.0,
    lots: Lots | None = None,
    certainty_share: float = 0.0,
    units: UnitSystem,
) -> ProgramOutcome:
    """Choose the change-outs with the highest net present value from the latest sweep.

    Parameters
    ----------
    results : Path
        The published database; opened for reading only.
    thresholds : Thresholds
        Odds and least benefit that an option must reach.
    budget_usd, crews, crew_hours_per_year, lots, certainty_share
        See `rightsize.recommend.program.choose_program.choose_program`.
    units : "us" or "metric"
        In which the results are published.

    Raises
    ------
    ConfigError
        If nothing is published yet, or a limit is out of range.
    """
    options = program_options(results, thresholds, units=units)
    chosen = choose_program(
        options,
        budget_usd=budget_usd,
        crews=crews,
        crew_hours_per_year=crew_hours_per_year,
        lots=lots,
        certainty_share=certainty_share,
    )
    taken = chosen.selected.select("account_id", "meter_id")
    left_out = (
        options.filter(pl.col("verdict") == "undersized")
        .join(taken, on=["account_id", "meter_id"], how="anti")
        .unique(["account_id", "meter_id"], keep="first", maintain_order=True)
    )
    return ProgramOutcome(program=chosen, options=options, overrun_left_out=left_out)


def program_options(
    results: Path, thresholds: Thresholds, *, units: UnitSystem
) -> pl.DataFrame:
    """Every suitable, cost-effective meter for each account to be changed, latest sweep.

    Raises
    ------
    ConfigError
        If nothing is published yet.
    """
    if not results.is_file():
        raise ConfigError(f"{results}: no results yet; run `rightsize sweep` first")
    statement = sql_text("80_program/program_option")
    if units == "metric":
        statement = metric_text(statement)
    limits = {
        "odds_of_benefit": thresholds.odds_of_benefit,
        "min_net_benefit_usd_per_year": thresholds.min_net_benefit_usd_per_year,
    }
    with open_held(results) as connection:
        reader = connection.sql(statement, params=limits).to_arrow_reader()
        frame = pl.DataFrame(reader.read_all())
    if units == "metric":
        frame = frame.with_columns(size_in=_size_in())
    return frame


def _size_in() -> pl.Expr:
    """The nominal size in inches of a size in millimeters."""
    size_mm = pl.col("size_mm").cast(pl.Float64)
    return size_mm.replace_strict(SIZE_IN_OF_MM, default=size_mm / MM_PER_IN)
