"""Test program: which meters are due, what tests say, and lots of small meters."""

from __future__ import annotations

import datetime as dt
from typing import Any

import duckdb
import polars as pl

from pipelines.configuration.load_catalogue import load_catalogue
from pipelines.configuration.load_settings import Loaded
from pipelines.configuration.meter_list import meters_of
from pipelines.stages.meter_tests.program import (
    Listed,
    TestProgram,
    Told,
    latest_tests,
    program_of,
)
from pipelines.stages.publish.history import open_held
from pipelines.stages.verify import view_in_us_units
from pipelines.store.resources import sql_text
from rightsize.contracts.demand import FLOW_BAND, PROFILE
from rightsize.contracts.recommendation import RECOMMENDATION
from rightsize.errors import ConfigError


def meter_test_program(loaded: Loaded, *, as_of: dt.date | None = None) -> TestProgram:
    """The test program from the meter list, the accuracy tests and the latest sweep.

    Parameters
    ----------
    as_of
        Start of the program; the day of the last read if not given.

    Raises
    ------
    ConfigError
        If nothing is published yet, or a rule, a schedule or the tests cannot be used.
    """
    named = loaded.settings.catalogue
    catalogue = load_catalogue(loaded.file(named) if named else None)
    points = latest_tests(loaded, catalogue)
    told = _published(loaded, points["meter_id"].unique().to_list())
    listed = Listed(meters_of(loaded).frame, catalogue)
    return program_of(loaded, listed, points, told, as_of=as_of or told.last_read_on)


def day_of(said: str | None) -> dt.date | None:
    """A day from the command line.

    Raises
    ------
    ConfigError
        If it is not one.
    """
    if said is None:
        return None
    try:
        return dt.date.fromisoformat(said)
    except ValueError:
        raise ConfigError(f"--as-of: must be a date such as 2026-01-31; got {said!r}") from None


def _published(loaded: Loaded, tested: list[str]) -> Told:
    results = loaded.workspace.results
    if not results.is_file():
        raise ConfigError(f"{results}: no results yet; run `rightsize sweep` first")
    with open_held(results) as connection:
        view_in_us_units(connection, RECOMMENDATION, "told_recommendation")
        view_in_us_units(connection, FLOW_BAND, "told_band")
        view_in_us_units(connection, PROFILE, "told_profile")
        accounts: pl.DataFrame = connection.sql(sql_text("80_program/metered_account")).pl()
        flows: pl.DataFrame = connection.sql(
            sql_text("80_program/metered_flow"), params={"meters": tested}
        ).pl()
        return Told(accounts, flows, _last_read_on(connection))


def _last_read_on(connection: duckdb.DuckDBPyConnection) -> dt.date:
    found: Any = connection.execute(
        "select coalesce((select max(last_read_on) from told_profile),"
        " (select max(finished_at)::date from results.sweep))"
    ).fetchone()
    day: dt.date = found[0]
    return day
