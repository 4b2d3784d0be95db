"""Campaign: where to send loggers and the test bench, from the published results."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path
from typing import Final

import duckdb
import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipelines.stages.publish.history import open_held
from pipelines.store.resources import sql_text
from rightsize.campaign.choose_campaign import Campaign, choose_campaign
from rightsize.campaign.learning_options import Limits, Options
from rightsize.campaign.season import (
    EARLIEST,
    LATEST,
    MONTHS,
    first_monday,
    months_to_log,
    weeks_in_season,
)
from rightsize.campaign.visit import Visit
from rightsize.campaign.visits import reason_of, visits_of
from rightsize.errors import ConfigError
from rightsize.knowing.kinds import LOGS_OF_FLOW
from rightsize.settings import Thresholds
from rightsize.units import UnitSystem
from rightsize.units.column_units import metric_text

_KEY: Final = ("account_id", "meter_id")


@dataclass(frozen=True)
class CampaignOutcome:
    """A campaign, its visits, and how many sites the sweep would log first."""

    campaign: Campaign
    visits: Sequence[Visit]
    start_on: date  # a Monday
    log_first_count: int  # sites with action log_first for which a kind of learning is known
    log_first_visited_count: int

    @property
    def frame(self) -> pl.DataFrame:
        """Visits as rows, one column a field."""
        names = list(Visit.__dataclass_fields__)
        return pl.DataFrame(
            [asdict(visit) for visit in self.visits], schema=_SCHEMA, orient="row"
        ).select(names)


_SCHEMA: Final = {
    "account_id": pl.String,
    "meter_id": pl.String,
    "kind": pl.String,
    "week_start_on": pl.Date,
    "area": pl.String,
    "crew": pl.Int64,
    "logger_count": pl.Int64,
    "duration_days": pl.Float64,
    "expected_gain_usd": pl.Float64,
    "cost_usd": pl.Float64,
    "net_usd": pl.Float64,
    "reason": pl.String,
}


def campaign(
    results: Path,
    thresholds: Thresholds,
    *,
    loggers: int,
    weeks: int,
    budget_usd: float,
    start_on: date,
    crews: int = 1,
    units: UnitSystem,
    held_logs: dict[str, int] | None = None,
) -> CampaignOutcome:
    """Choose which sites to log or test, in which week, from the latest sweep.

    Parameters
    ----------
    results : Path
        The published database; opened for reading only.
    thresholds : Thresholds
        Costs, hours and days of each kind of learning.
    start_on : date
        The campaign begins on the Monday of the first whole week from it on.
    held_logs : dict, optional
        Logs of each class that are already held; those in use in the latest sweep if not given.

    Raises
    ------
    ConfigError
        If nothing is published yet, or a limit is out of range.
    """
    if not EARLIEST <= start_on <= LATEST:
        raise ConfigError(f"--start: must lie between {EARLIEST} and {LATEST}; got {start_on}")
    rows, flow = _read(results, units)
    monday = first_monday(start_on)
    limits = Limits(
        logger_count=loggers,
        week_count=weeks,
        budget_usd=float(budget_usd),
        crew_count=crews,
        crew_hours_per_week=thresholds.logging_hours_per_week,
        area_trip_hours=thresholds.area_trip_hours,
        area_trip_usd=thresholds.area_trip_usd,
        class_half_logs=thresholds.class_half_logs,
        class_common_share=thresholds.class_common_share,
    )
    options = options_of(rows, flow, thresholds, start_on=monday, weeks=weeks)
    held = _held_logs(results) if held_logs is None else held_logs
    chosen = choose_campaign(options, limits, held_logs=held)
    reasons = {
        (row["account_id"], row["meter_id"], row["kind"]): reason_of(
            row["kind"], row["odds_of_other_choice"], row["decides"]
        )
        for row in rows.iter_rows(named=True)
    }
    visits = visits_of(chosen, monday, reasons)
    wanted = set(rows.filter(pl.col("action") == "log_first").select(_KEY).unique().rows())
    return CampaignOutcome(
        campaign=chosen,
        visits=visits,
        start_on=monday,
        log_first_count=len(wanted),
        log_first_visited_count=len(wanted & {(v.account_id, v.meter_id) for v in visits}),
    )


def _read(results: Path, units: UnitSystem) -> tuple[pl.DataFrame, pl.DataFrame]:
    if not results.is_file():
        raise ConfigError(f"{results}: no results yet; run `rightsize sweep` first")
    found = []
    with open_held(results) as connection:
        for name in ("learning_option", "month_flow"):
            statement = sql_text(f"80_campaign/{name}")
            if units == "metric":
                statement = metric_text(statement)
            found.append(pl.DataFrame(connection.sql(statement).to_arrow_reader().read_all()))
    return found[0], found[1]


def _held_logs(results: Path) -> dict[str, int]:
    """Logs in use of each class; none in results that were published before there were any."""
    with open_held(results) as connection:
        try:
            rows = connection.sql(sql_text("80_campaign/held_log")).fetchall()
        except duckdb.CatalogException:
            return {}
    return {str(name): int(count) for name, count in rows}


def options_of(
    rows: pl.DataFrame,
    flow: pl.DataFrame,
    thresholds: Thresholds,
    *,
    start_on: date,
    weeks: int,
) -> Options:
    """What a campaign may do, from rows of the published tables.

    Parameters
    ----------
    rows : frame
        Kinds of learning at meters (`80_campaign/learning_option`).
    flow : frame
        Daily volume by calendar month (`80_campaign/month_flow`); only its shape counts.
    start_on : date
        Monday of the first week.
    """
    kind = rows["kind"].to_numpy().astype(np.str_)
    is_log = np.isin(kind, LOGS_OF_FLOW)
    months = months_to_log(
        _by_month(rows, flow),
        rows["is_irrigation"].to_numpy().astype(bool),
        season_share=thresholds.log_season_share,
    )
    months |= ~is_log[:, None]  # a test or a setting waits for no season
    days = _each(
        kind,
        night_logging=thresholds.night_logging_days,
        flow_logging=thresholds.flow_logging_days,
    )
    return Options(
        account_id=_texts(rows, "account_id"),
        meter_id=_texts(rows, "meter_id"),
        area=_texts(rows, "area"),
        customer_class=_texts(rows, "customer_class"),
        kind=kind,
        gain_usd=rows["expected_gain_usd"].to_numpy(),
        cost_usd=rows["cost_usd"].to_numpy(),
        visit_hours=_each(
            kind,
            night_logging=thresholds.log_visit_hours,
            flow_logging=thresholds.log_visit_hours,
            accuracy_test=thresholds.accuracy_test_hours,
            finer_interval=thresholds.endpoint_visit_hours,
            peak_register=thresholds.endpoint_visit_hours,
        ),
        logger_days=days,
        is_in_season=weeks_in_season(months, start_on, weeks=weeks, days=days),
    )


def _by_month(rows: pl.DataFrame, flow: pl.DataFrame) -> NDArray[np.float64]:
    """Daily volume of each row's meter by calendar month [N, 12]; NaN where not known."""
    volume = flow.columns[-1]  # by its place: its unit is the utility's
    at = rows.select(_KEY).with_row_index("row").join(flow, on=list(_KEY))
    month = np.full((rows.height, MONTHS), np.nan)
    month[at["row"].to_numpy(), at["month_number"].to_numpy() - 1] = at[volume].to_numpy()
    return month


def _texts(rows: pl.DataFrame, name: str) -> NDArray[np.str_]:
    return np.array(rows[name].fill_null("").to_list(), dtype=np.str_)


def _each(kind: NDArray[np.str_], **value: float) -> NDArray[np.float64]:
    return np.array([value.get(str(k), 0.0) for k in kind], dtype=np.float64)
