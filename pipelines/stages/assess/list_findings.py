"""Findings on the meter list, and on meters that appear only in the reads."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

import polars as pl

from pipelines.configuration.meter_list import Meters
from pipelines.stages.land.read_findings import read_findings
from pipelines.store.lake_partition import MONTH_IN_PATH
from pipelines.store.storage import local_paths
from pipelines.store.workspace import Workspace
from rightsize.demand.reading_findings import finding_frame, unknown_meter_findings
from rightsize.demand.slow_meter import slow_meter_findings
from rightsize.units import UnitSystem

_FEWEST_DAYS_OF_A_MONTH: Final = 20


def list_findings(
    workspace: Workspace,
    profiles: Sequence[Path],
    meters: Meters,
    service: pl.DataFrame,
    *,
    units: UnitSystem,
) -> pl.DataFrame:
    """Findings from comparing the meter list with the reads.

    Parameters
    ----------
    profiles
        Profile folders in force.
    service : frame
        account_id, meter_id, customer_class of every meter in service.
    units
        Units of messages; evidence is in US units.

    Returns
    -------
    frame
        Findings, as `finding_frame` makes them.
    """
    stats, stuck, replaced = (
        [folder / f"{table}.parquet" for folder in profiles]
        for table in ("month_stat", "stuck_register", "replaced_read")
    )
    with workspace.storage.at_hand([*stats, *stuck, *replaced]) as here:
        stat_files = local_paths(here, stats)
        from_reads = read_findings(
            workspace,
            stat_files,
            meters,
            stuck_files=local_paths(here, stuck),
            replaced_files=local_paths(here, replaced),
            units=units,
        )
        return pl.concat(
            [
                finding_frame(meters.findings),
                unknown_meter_findings(_strays(stat_files, meters), units=units),
                finding_frame(from_reads),
                slow_meter_findings(_monthly_flow(stat_files, service)),
            ]
        )


def _strays(stat_files: list[str], meters: Meters) -> pl.DataFrame:
    """Meters with reads that are not in the meter list."""
    read = (
        pl.scan_parquet(stat_files, glob=False)
        .group_by("meter_id")
        .agg(pl.col("registered_gal").sum(), pl.col("read_count").sum())
    )
    return read.join(meters.frame.lazy(), on="meter_id", how="anti").sort("meter_id").collect()


def _monthly_flow(stat_files: list[str], service: pl.DataFrame) -> pl.DataFrame:
    """Mean registered flow of each meter in service by month well covered [gpm]."""
    month = pl.col("path").str.extract(MONTH_IN_PATH).str.to_date("%Y-%m")
    days = (pl.col("days_covered") + pl.col("gap_days")).sum()
    monthly = (
        pl.scan_parquet(stat_files, include_file_paths="path", glob=False)
        .with_columns(month=month)
        .group_by("meter_id", "month")
        .agg(flow_gpm=pl.col("registered_gal").sum() / (days * 1440), days=days)
        .filter(pl.col("days") >= _FEWEST_DAYS_OF_A_MONTH)
    )
    named = service.lazy().select("account_id", "meter_id", "customer_class")
    return (
        named.join(monthly, on="meter_id")
        .select("account_id", "meter_id", "customer_class", "month", "flow_gpm")
        .sort("account_id", "meter_id", "month")
        .collect()
    )
