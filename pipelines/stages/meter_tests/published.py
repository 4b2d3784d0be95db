"""The test program of a sweep as rows of the published tables, from its block files."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Final

import polars as pl

from pipelines.configuration.load_settings import Loaded
from pipelines.stages.meter_tests.program import Listed, Told, latest_tests, program_of
from rightsize.contracts.demand import FLOW_BAND, PROFILE
from rightsize.contracts.frames import as_block
from rightsize.contracts.recommendation import RECOMMENDATION
from rightsize.contracts.table import Table
from rightsize.contracts.testing.test_program import (
    METER_TEST_DUE,
    METER_TEST_FLOW,
    METER_TEST_LOT,
    METER_TEST_OUTCOME,
)

_VOLUME: Final = "installed_registered_gal_per_year"
_OF_BANDS: Final = ("meter_id", "band_from_gpm", "band_to_gpm", "actual_volume_share")
_OF_ACCOUNTS: Final = (
    "account_id", "meter_id", "action", "recommended_type", "recommended_size_in",
    "recommended_grade",
)  # fmt: skip


def published_program(loaded: Loaded, fleet: Listed, blocks: Path) -> dict[str, pl.DataFrame]:
    """Rows of the published tables of meter tests, by the blocks of a sweep.

    Parameters
    ----------
    blocks : Path
        Folder of the sweep's block files.
    """
    points = latest_tests(loaded, fleet.catalogue)
    told = _told_by_blocks(blocks, points)
    if told is None:  # no meter has reads
        return {}
    program = program_of(loaded, fleet, points, told, as_of=told.last_read_on)
    drawn = program.sample.select("account_id", "meter_id", "draw_order")
    due = program.due.join(
        drawn, on=["account_id", "meter_id"], how="left", maintain_order="left"
    ).filter(pl.col("is_due") | ~pl.col("is_date_known") | pl.col("draw_order").is_not_null())
    frames = (
        (METER_TEST_DUE, due),
        (METER_TEST_FLOW, program.flows),
        (METER_TEST_OUTCOME, program.outcomes),
        (METER_TEST_LOT, program.lots),
    )
    return {table.name: _rows(frame, table) for table, frame in frames}


def _rows(frame: pl.DataFrame, table: Table) -> pl.DataFrame:
    """Rows as the contract wants them; a cost without an end is none."""
    told = as_block(frame.select(c.name for c in table.block_columns), table)
    endless = pl.selectors.float().is_infinite()
    return told.with_columns(
        pl.when(endless).then(None).otherwise(pl.selectors.float()).name.keep()
    ).sort([k for k in table.key if k != "sweep_id"])


def _told_by_blocks(blocks: Path, points: pl.DataFrame) -> Told | None:
    profile = _block(blocks, PROFILE, ("last_read_on",))
    days = profile["last_read_on"].drop_nulls() if profile is not None else pl.Series([])
    held = _block(blocks, RECOMMENDATION, (*_OF_ACCOUNTS, _VOLUME))
    if held is None or days.is_empty():
        return None
    last_read_on = days.max()
    assert isinstance(last_read_on, dt.date)
    bands = _block(blocks, FLOW_BAND, _OF_BANDS, points["meter_id"].unique().to_list())
    from_gpm, to_gpm = pl.col("band_from_gpm"), pl.col("band_to_gpm")
    flows = pl.DataFrame(
        schema={"meter_id": pl.String, "flow_gpm": pl.Float64, "volume_share": pl.Float64}
    )
    if bands is not None:
        flows = (
            bands.filter((from_gpm > 0) & (pl.col("actual_volume_share") > 0))
            .sort("meter_id", "band_from_gpm")
            .select(
                "meter_id",
                flow_gpm=(from_gpm * to_gpm).sqrt(),
                volume_share="actual_volume_share",
            )
        )
    accounts = held.select(*_OF_ACCOUNTS, registered_gal_per_year=_VOLUME).sort(
        "account_id", "meter_id"
    )
    return Told(accounts, flows, last_read_on)


def _block(
    blocks: Path, table: Table, columns: tuple[str, ...], meters: list[str] | None = None
) -> pl.DataFrame | None:
    """Columns of a table's block files of the sweep, of some meters; None without a file."""
    files = sorted((blocks / table.name).glob("*.parquet"))
    if not files:
        return None
    parts = [pl.scan_parquet(file, glob=False).select(columns) for file in files]
    rows = pl.concat(parts)
    if meters is not None:
        rows = rows.filter(pl.col("meter_id").is_in(meters))
    return rows.collect()
