"""Profile rows of meters whose reads lie on a grid, as `sql/30_profile` would make them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping
from typing import Any, Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipelines.stages.profile.grid_reads import Matrix
from rightsize.demand.month_grid import MINUTE_US, GridClock, MonthGrid
from rightsize.demand.month_register_step import month_steps
from rightsize.demand.month_statistics import (
    Columns,
    days,
    histogram,
    hours_and_days,
    interval_histogram,
    volume,
    week_pattern,
)

LocalTime = Callable[[NDArray[np.int64]], NDArray[np.int64]]
"""UTC to the utility's local time, both in microseconds since 1970."""
_DAYS: Final = {"first_day": "first_on", "last_day": "last_on"}
_MOMENTS: Final = {"first_us": "first_at", "last_us": "last_at", "last_use_us": "last_use_at"}
_WINDOWS: Final = np.array(["hour", "interval", "night"], dtype=object)
"""Kinds of windows, in the order of the table."""
_COUNTS: Final = frozenset(
    {
        "read_count",
        "shape_count",
        "estimated_count",
        "zero_count",
        "within_dof",
        "lag1_count",
        "lag2_count",
        "lag3_count",
        "day_dof",
        "day_count",
        "night_zero_count",
    }
)


def grid_tables(
    matrix: Matrix, names: NDArray[np.object_], peak_gpm: NDArray[np.float64], local: LocalTime
) -> dict[str, pa.Table]:
    """`month_stat`, `month_band` and `day_flow` of a matrix of reads.

    `names` and `peak_gpm` are those of the matrix's rows. Meters with reads of the same start,
    or without any read that is not missing, are left out.
    """
    keep = np.flatnonzero(~matrix.repeated & (matrix.kind != 0).any(axis=1))
    clock = grid_clock(matrix, local)
    whole = MonthGrid(clock, _rows(matrix.gal, keep), _rows(matrix.kind, keep))
    parts: dict[str, list[Columns]] = defaultdict(list)
    for rows, block in whole.blocks():
        for table, columns in _of_block(block, keep[rows], peak_gpm[keep[rows]]).items():
            parts[table].append(columns)
    named = {"meter_id": names, "kind": _WINDOWS}
    return {table: _table(blocks, named) for table, blocks in parts.items()}


def grid_clock(matrix: Matrix, local: LocalTime) -> GridClock:
    """The clock of a matrix's columns."""
    step_us = matrix.interval_min * MINUTE_US
    starts = matrix.first_us + np.arange(matrix.gal.shape[1], dtype=np.int64) * step_us
    return GridClock(matrix.interval_min, starts, local(starts))


def _of_block(
    grid: MonthGrid, meters: NDArray[np.int64], peak_gpm: NDArray[np.float64]
) -> Mapping[str, Columns]:
    minutes = grid.clock.interval_min
    of_days = days(grid)
    stat = {
        "meter_id": meters,
        "interval_min": np.full(len(meters), float(minutes)),
        "peak_register_gpm": peak_gpm,
        **volume(grid),
        **week_pattern(grid),
        **hours_and_days(grid, of_days),
        "step_gal": month_steps(grid.distinct, len(meters)),
    }
    row, day = np.nonzero(of_days["is_day"])
    day_flow = {
        "meter_id": meters[row],
        "day": grid.clock.days.keys[day],
        "least_gpm": of_days["least_gpm"][row, day],
        "day_gpm": of_days["day_gpm"][row, day],
    }
    return {
        "month_stat": stat,
        "month_band": _bands(grid, of_days, meters),
        "day_flow": day_flow,
    }


def _bands(grid: MonthGrid, of_days: Columns, meters: NDArray[np.int64]) -> Columns:
    interval = interval_histogram(grid)
    if grid.clock.per_hour == 1:
        hour = interval
    else:
        is_hour = None if grid.is_full else grid.is_hour
        hour = histogram(grid.hour_gpm, is_hour, grid.hour_gpm * 60)
    is_night = of_days["is_day"] & ~np.isnan(of_days["night_gpm"])
    least = np.where(is_night, of_days["night_gpm"], 0.0)
    night = histogram(least, is_night, least * 60)
    parts = [  # in the order of `_WINDOWS`
        (60, hour),
        (grid.clock.interval_min, interval),
        (60, night),
    ]
    row = np.concatenate([found["row"] for _, found in parts])
    size = [len(found["row"]) for _, found in parts]
    order = np.argsort(row, kind="stable")
    joined: Columns = {
        "meter_id": meters[row],
        "kind": np.repeat(np.arange(len(parts)), size),
        "interval_min": np.repeat([float(minutes) for minutes, _ in parts], size),
    }
    for name in ("band", "window_count", "volume_gal"):
        joined[name] = np.concatenate([found[name] for _, found in parts])
    return {name: values[order] for name, values in joined.items()}


def _rows(cells: NDArray[Any], keep: NDArray[np.int64]) -> NDArray[Any]:
    return cells if len(keep) == len(cells) else cells[keep]


def _table(blocks: list[Columns], named: Mapping[str, NDArray[np.object_]]) -> pa.Table:
    """Blocks as one table; columns of `named` hold places in an array of names."""
    columns: dict[str, pa.Array] = {}
    for name in blocks[0]:
        values = np.concatenate([block[name] for block in blocks])
        if name in named:
            columns[name] = pa.DictionaryArray.from_arrays(
                values.astype(np.int32), pa.array(named[name], pa.string())
            )
        elif name in _MOMENTS:
            none = values == np.iinfo(np.int64).min
            columns[_MOMENTS[name]] = pa.array(values, pa.int64(), mask=none).cast(
                pa.timestamp("us", "UTC")
            )
        elif name in _DAYS or name == "day":
            found = pa.array(values.astype(np.int32)).cast(pa.date32())
            columns[_DAYS.get(name, "day_on")] = found
        elif name in _COUNTS:
            none = np.isnan(values) if values.dtype.kind == "f" else None
            plain = values if none is None else np.where(none, 0, values)
            columns[name] = pa.array(plain.astype(np.int64), mask=none)
        elif values.dtype.kind == "f":
            columns[name] = pa.array(values, mask=np.isnan(values))
        else:
            columns[name] = pa.array(values)
    return pa.table(columns)
