"""The exports: monthly files of three channels, one late correction, a few unreadable rows."""

from __future__ import annotations

import gzip
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import polars as pl

from pipelines.demo.account import MeterRows, Served, World
from pipelines.demo.fleet import Channel
from pipelines.demo.head_end import CORRECTION, QUALITY_CODE
from pipelines.demo.services import STEP, STEP_MIN

PREFIX: Final[dict[Channel, str]] = {
    "fixed": "reads",
    "cellular": "cellular",
    "walk_by": "walkby",
}
HEADER: Final[dict[Channel, tuple[str, ...]]] = {
    "fixed": ("meter_id", "interval_end", "volume", "quality"),
    "cellular": ("badge", "read_time", "usage_gal", "flag"),
    "walk_by": ("serial", "read_at", "dial_ft3", "status"),
}
# (month, place in its file, stamp, volume): what a head-end sometimes prints
UNREADABLE: Final = (
    (1, 40, None, "n/a"),
    (1, 41, "2025-13-45 07:00", "3"),
    (2, 17, None, "#REF!"),
    (3, 900, "", "12"),
)


@dataclass(frozen=True)
class Written:
    """One export file, counted as it was written."""

    file: str
    channel: Channel
    rows: int
    unreadable_rows: int
    repeated_rows: int
    printed_gal: float  # of readable rows, repeats included; register readings: their sum


def write_exports(folder: Path, accounts: Sequence[Served], world: World) -> list[Written]:
    """Write every file of every channel; returns what each holds."""
    written: list[Written] = []
    for channel in PREFIX:
        meters = [m for a in accounts if a.plan.channel == channel for m in a.meters]
        meters = [m for m in meters if len(m.rows.steps)]
        if meters:
            stamps = _border_stamps(world, STEP_MIN[channel])
            parts = _table(meters).partition_by("file", maintain_order=True)
            written += [_write_file(folder, part, channel, stamps, world) for part in parts]
    return written


def _border_stamps(world: World, step_min: int) -> pl.Series:
    """Wall time at each border of intervals: border k + 1 ends interval k."""
    return world.calendar.instants(step_min).dt.strftime("%Y-%m-%d %H:%M")


def _table(meters: list[MeterRows]) -> pl.DataFrame:
    """All rows of a channel, meter after meter, repeats behind the rest."""
    length = [len(m.rows.steps) for m in meters]
    meter_id = np.array([m.service.meter_id for m in meters], dtype=object)
    return pl.DataFrame(
        {
            "meter": np.repeat(meter_id, length),
            "interval": np.concatenate([m.rows.interval for m in meters]),
            "printed": np.concatenate([_printed_tenths(m) for m in meters]),
            "gal": np.concatenate([m.rows.steps * m.service.step_gal for m in meters]),
            "quality": np.concatenate([m.rows.quality for m in meters]),
            "file": np.concatenate([m.rows.file for m in meters]),
        },
        schema_overrides={"meter": pl.Categorical},
    )


def _printed_tenths(meter: MeterRows) -> np.ndarray:
    """What the file prints, in tenths of the unit: register counts before the multiplier."""
    tenths = round(10 * meter.service.step / meter.service.multiplier)
    return meter.rows.steps * tenths


def _write_file(
    folder: Path, part: pl.DataFrame, channel: Channel, stamps: pl.Series, world: World
) -> Written:
    file = int(part["file"][0])
    name = f"exports/{_file_name(file, channel, world)}.csv{world.suffix}"
    whole = STEP[channel] == 1
    printed = pl.col("printed") // 10 if whole else pl.col("printed") / 10
    rows = part.select(
        pl.col("meter").cast(pl.String).alias("id"),
        pl.Series("at", stamps).gather(part["interval"] + 1).alias("at"),
        printed.cast(pl.String).alias("volume"),
        pl.Series("quality", QUALITY_CODE).gather(part["quality"]).alias("quality"),
    )
    bad = list(_unreadable(rows, file)) if channel == "fixed" else []
    for place, row in reversed(bad):
        rows = pl.concat([rows[:place], row, rows[place:]])
    rows.columns = list(HEADER[channel])
    _write_rows(rows, folder / name)
    repeated = len(part) - part.select(pl.struct("meter", "interval").n_unique()).item()
    return Written(name, channel, len(rows), len(bad), repeated, float(part["gal"].sum()))


def _write_rows(rows: pl.DataFrame, path: Path) -> None:
    if path.suffix == ".gz":  # without a time in its header the same rows give the same bytes
        path.write_bytes(gzip.compress(rows.write_csv().encode(), mtime=0))
    else:
        rows.write_csv(path)


def _file_name(file: int, channel: Channel, world: World) -> str:
    calendar = world.calendar
    if file < CORRECTION:
        return f"{PREFIX[channel]}_{calendar.month_name(file)}"
    corrected = file - CORRECTION
    issued = min(corrected + 2, int(calendar.month[-1]))
    subject = f"correction_of_{calendar.month_name(corrected)}"
    return f"{PREFIX[channel]}_{calendar.month_name(issued)}_{subject}"


def _unreadable(rows: pl.DataFrame, file: int) -> Iterator[tuple[int, pl.DataFrame]]:
    for month, place, stamp, volume in UNREADABLE:
        if month == file and place < len(rows):
            like = rows[place]
            at = pl.col("at") if stamp is None else pl.lit(stamp).alias("at")
            yield place, like.with_columns(at, pl.lit(volume).alias("volume"))
