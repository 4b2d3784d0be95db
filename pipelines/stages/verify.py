"""Verify: what came of past change-outs, from month volumes and the promises in history."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import duckdb
import polars as pl

from pipelines.configuration.fleet import Fleet
from pipelines.configuration.judged_by import with_meter_index
from pipelines.stages.assess.month_volume import month_volume
from pipelines.stages.publish.contract_sql import select_list
from pipelines.stages.publish.history import open_held
from pipelines.store.resources import sql_text
from pipelines.store.storage import local_paths
from pipelines.store.workspace import Workspace
from pipelines.work.bucket_work import bucket_connection
from rightsize.contracts.frames import as_block, block_schema
from rightsize.contracts.realised_gain import REALISED_GAIN
from rightsize.contracts.results import RECOMMENDATION
from rightsize.contracts.table import Table
from rightsize.demand.bands import BANDS_PER_DECADE, FIRST_EDGE_GPM
from rightsize.demand.reading_findings import finding_frame
from rightsize.verify.change_outs import change_outs
from rightsize.verify.gain_findings import gain_findings
from rightsize.verify.leaks.persistence import pooled_persistence
from rightsize.verify.low_flow import case_months, with_low_flow
from rightsize.verify.rows import PROMISE_COLUMNS, realised_gain_rows

STEADY_DAY_SHARE: Final = 0.1
"""Quantile of a month's days whose least hour is its steady flow: that of the minimum night
flow (`minimum_night_flow_gpm`), so a few days without use do not hide a leak."""

ALL_MONTHS: Final = 1200  # a century: every month that there is

_PROMISES: Final[dict[str, pl.DataType]] = {
    "account_id": pl.String(),
    "meter_id": pl.String(),
    "promised_type": pl.String(),
    "promised_size_in": pl.Float64(),
    "promised_at": pl.Datetime("us", "UTC"),
    "promised_sweep_id": pl.String(),
    **{name: pl.Float64() for name in PROMISE_COLUMNS[1:]},
}


@dataclass(frozen=True)
class Verified:
    """What came of past jobs, and findings on those without a gain."""

    gains: pl.DataFrame  # rows of realised_gain
    persistence: pl.DataFrame  # rows of leak_persistence
    findings: pl.DataFrame
    log_document: dict[str, Any]  # rows of the log: used and left out; empty without a log


@dataclass(frozen=True)
class _Reads:
    """The profiles in force, and the first and last day of their reads."""

    workspace: Workspace
    profiles: Sequence[Path]
    first_on: dt.date
    last_on: dt.date


def verify(workspace: Workspace, profiles: Sequence[Path], fleet: Fleet) -> Verified:
    """Every job of the meter list and of the log: what came of it, or why none can be told.

    Parameters
    ----------
    profiles
        Profile folders in force.
    fleet
        The meter list, with the meters taken out, and the log of jobs.
    """
    days = _last_reads(workspace, profiles) if profiles else pl.DataFrame()
    gains, left_out = pl.DataFrame(schema=block_schema(REALISED_GAIN)), None
    if not days.is_empty():
        first_on, last_on = days["first_read_on"].min(), days["last_read_on"].max()
        assert isinstance(first_on, dt.date)
        assert isinstance(last_on, dt.date)
        history = _history(fleet.meters.frame, days)
        jobs = change_outs(history, fleet.log.frame, data_from=first_on, data_to=last_on)
        left_out = jobs.left_out
        if not jobs.cases.is_empty():
            reads = _Reads(workspace, profiles, first_on, last_on)
            gains = _gains(reads, fleet, jobs.cases, history)
    found = [*fleet.log.findings(left_out), *gain_findings(gains)]
    refused = 0 if left_out is None else left_out.height
    return Verified(
        gains,
        pooled_persistence(gains),
        finding_frame(found),
        fleet.log.document(refused) if fleet.log.row_count else {},
    )


def _gains(
    reads: _Reads, fleet: Fleet, cases: pl.DataFrame, history: pl.DataFrame
) -> pl.DataFrame:
    volumes = month_volume(
        reads.workspace, reads.profiles, fleet.meters.frame, months=ALL_MONTHS
    )
    rows = realised_gain_rows(
        cases,
        volumes,
        history,
        past_promises(reads.workspace),
        data_from=reads.first_on,
        data_to=reads.last_on,
        steady=_steady(reads, history, cases),
        weather=fleet.weather.months if fleet.weather else None,
    )
    limits = with_meter_index(history, fleet.settings.catalogue, units="us").select(
        "account_id",
        pl.col("meter_id").alias("removed_meter_id"),
        limit_gpm=pl.col("meter_index").replace_strict(
            {n: m.normal_min_gpm for n, m in enumerate(fleet.settings.catalogue.meters)},
            default=None,
            return_dtype=pl.Float64,
        ),
    )
    months = case_months(
        rows,
        limits.unique(["account_id", "removed_meter_id"], keep="last", maintain_order=True),
        data_from=reads.first_on,
        data_to=reads.last_on,
    )
    found = with_low_flow(rows, months, _low_flow(reads, months))
    return as_block(found, REALISED_GAIN)


def _steady(reads: _Reads, history: pl.DataFrame, cases: pl.DataFrame) -> pl.DataFrame:
    """Steady flow by month of accounts with a job."""
    stays = history.join(cases.select("account_id").unique(), on="account_id", how="semi")
    return _from_profiles(
        reads,
        "steady_flow",
        "day_flow.parquet",
        {"stay_frame": stays.select("account_id", "meter_id", "installed_on", "removed_on")},
        {"day_share": STEADY_DAY_SHARE},
        files="day_files",
    )


def _low_flow(reads: _Reads, months: pl.DataFrame) -> pl.DataFrame:
    """Low flow registered by each job's meters in the months of each side."""
    bands = {"first_edge_gpm": FIRST_EDGE_GPM, "bands_per_decade": BANDS_PER_DECADE}
    frames = {"case_month": months}
    return _from_profiles(
        reads, "low_flow", "month_band.parquet", frames, bands, files="band_files"
    )


def _from_profiles(
    reads: _Reads,
    statement: str,
    part: str,
    frames: dict[str, pl.DataFrame],
    params: dict[str, Any],
    *,
    files: str,
) -> pl.DataFrame:
    """A statement of this stage over one kind of file of all profiles."""
    names = [folder / part for folder in reads.profiles]
    with (
        reads.workspace.storage.at_hand(names) as here,
        bucket_connection(reads.workspace.scratch) as connection,
    ):
        for name, frame in frames.items():
            connection.register(name, frame.to_arrow())
        found: pl.DataFrame = connection.sql(
            sql_text(f"65_verify/{statement}"),
            params={files: local_paths(here, names), **params},
        ).pl()
    return found


def _last_reads(workspace: Workspace, profiles: Sequence[Path]) -> pl.DataFrame:
    files = [folder / "month_stat.parquet" for folder in profiles]
    with (
        workspace.storage.at_hand(files) as here,
        bucket_connection(workspace.scratch) as connection,
    ):
        found: pl.DataFrame = connection.sql(
            sql_text("65_verify/last_read"), params={"stat_files": local_paths(here, files)}
        ).pl()
    return found


def _history(meters: pl.DataFrame, reads: pl.DataFrame) -> pl.DataFrame:
    """The meter list with each meter's last read; none where it serves again elsewhere."""
    has_one_stay = pl.len().over("meter_id") == 1
    return meters.join(
        reads.select("meter_id", "last_read_on"), on="meter_id", how="left"
    ).with_columns(pl.when(has_one_stay).then("last_read_on"))


def past_promises(workspace: Workspace) -> pl.DataFrame:
    """Every change that a published sweep recommended, in US units."""
    if not workspace.results.is_file():
        return pl.DataFrame(schema=_PROMISES)
    with open_held(workspace.results) as connection:
        view_in_us_units(connection, RECOMMENDATION, "kept_recommendation")
        found: pl.DataFrame = connection.sql(sql_text("65_verify/past_promise")).pl()
    return found.cast(_PROMISES)  # type: ignore[arg-type]


def view_in_us_units(connection: duckdb.DuckDBPyConnection, table: Table, view: str) -> None:
    """A temporary view of a published table in US units; columns it lacks are null."""
    (units,) = connection.execute(
        "select units from results.sweep order by sweep_id desc limit 1"
    ).fetchone() or ("us",)
    present = [
        name
        for (name,) in connection.execute(
            "select column_name from duckdb_columns()"
            f" where database_name = 'results' and table_name = '{table.name}'"
        ).fetchall()
    ]
    values = select_list(table.columns, present, source=units, target="us")
    connection.execute(
        f"create or replace temp view {view} as select {values} from results.{table.name}"
    )
