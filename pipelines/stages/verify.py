"""Verify: what came of past change-outs, from month volumes and the promises in history."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import duckdb
import polars as pl

from pipelines.configuration.fleet import Fleet
from pipelines.stages.assess.month_volume import month_volume
from pipelines.stages.publish.contract_sql import select_list
from pipelines.stages.publish.history import open_held
from pipelines.store.resources import sql_text
from pipelines.store.storage import local_paths
from pipelines.store.workspace import Workspace
from pipelines.work.bucket_work import bucket_connection
from rightsize.contracts.frames import block_schema
from rightsize.contracts.realised_gain import REALISED_GAIN
from rightsize.contracts.results import RECOMMENDATION
from rightsize.contracts.table import Table
from rightsize.demand.reading_findings import finding_frame
from rightsize.findings import Finding
from rightsize.verify.change_outs import change_outs
from rightsize.verify.gain_findings import gain_findings
from rightsize.verify.rows import PROMISE_COLUMNS, realised_gain_rows

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
    """What came of past jobs: rows of realised_gain, and findings on those without a gain."""

    gains: pl.DataFrame
    findings: pl.DataFrame


def verify(workspace: Workspace, profiles: Sequence[Path], fleet: Fleet) -> Verified:
    """Rows of the table realised_gain for every job of the meter list and of the log.

    Parameters
    ----------
    profiles
        Profile folders in force.
    fleet
        The meter list, with the meters taken out, and the log of jobs.
    """
    meters, log = fleet.meters.frame, fleet.log
    reads = _last_reads(workspace, profiles) if profiles else pl.DataFrame()
    if reads.is_empty():
        return Verified(
            pl.DataFrame(schema=block_schema(REALISED_GAIN)), finding_frame(log.findings())
        )
    history = _history(meters, reads)
    days: dict[str, Any] = {
        "data_from": reads["first_read_on"].min(), "data_to": reads["last_read_on"].max(),
    }  # fmt: skip
    jobs = change_outs(history, log.frame, **days)
    gains = pl.DataFrame(schema=block_schema(REALISED_GAIN))
    if not jobs.cases.is_empty():
        volumes = month_volume(workspace, profiles, meters, months=ALL_MONTHS)
        promises = past_promises(workspace)
        gains = realised_gain_rows(jobs.cases, volumes, history, promises, **days)
    return Verified(gains, finding_frame(_findings(fleet, jobs.left_out, gains)))


def _findings(fleet: Fleet, left_out: pl.DataFrame, gains: pl.DataFrame) -> list[Finding]:
    return [*fleet.log.findings(left_out), *gain_findings(gains)]


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
