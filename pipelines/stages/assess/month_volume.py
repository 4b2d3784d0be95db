"""Registered volume of each meter by month: the first check against bills."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

import polars as pl

from pipelines.store.resources import sql_text
from pipelines.store.storage import local_paths
from pipelines.store.workspace import Workspace
from pipelines.work.bucket_work import bucket_connection
from rightsize.contracts.demand import MONTH_VOLUME
from rightsize.contracts.frames import as_block, block_schema

MONTHS: Final = 13
"""A year of full months and the current one."""


def month_volume(
    workspace: Workspace,
    profiles: Sequence[Path],
    meters: pl.DataFrame,
    *,
    months: int = MONTHS,
) -> pl.DataFrame:
    """Rows of the table month_volume for every meter of the list, removed ones included.

    Parameters
    ----------
    profiles
        Current profile folders.
    meters : frame
        One row per installation of a meter: account_id, meter_id, installed_on, removed_on.
    months : int
        How many months, the newest included.
    """
    files = [folder / "month_stat.parquet" for folder in profiles]
    if not files:
        return pl.DataFrame(schema=block_schema(MONTH_VOLUME))
    with (
        workspace.storage.at_hand(files) as here,
        bucket_connection(workspace.scratch) as connection,
    ):
        stays = meters.select("account_id", "meter_id", "installed_on", "removed_on").unique()
        connection.register("stay_frame", stays.to_arrow())
        connection.execute(
            sql_text("40_assess/month_volume"),
            {"stat_files": local_paths(here, files), "months": months},
        )
        found = connection.sql("from month_volume").pl()  # in the statement's order
    return as_block(found, MONTH_VOLUME)
