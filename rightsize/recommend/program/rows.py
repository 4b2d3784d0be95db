"""The program as matrices: one column per option, then one per area if area rules apply."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array, vstack

from rightsize.recommend.program.options import Limits, Lots, Options, Rows

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Model:
    """Minimize `cost_usd` @ x subject to `matrix` @ x <= `limit`, every x 0 or 1.

    Row 0 is money; row 1 is hours where `has_hours`.
    """

    option_count: int
    cost_usd: Array  # [columns]
    matrix: csr_array  # [rows, columns]
    limit: Array  # [rows]
    has_hours: bool


def lot_areas(options: Options, limits: Limits) -> Rows:
    """Areas with area rules; empty if there are none."""
    return np.unique(options.area) if limits.lots.is_active else np.array([], dtype=np.int64)


def as_model(options: Options, areas: Rows, limits: Limits) -> Model:
    """Matrices of the program over `options` and `areas`."""
    width = options.size + len(areas)
    opening = np.full(len(areas), limits.lots.mobilise_usd)
    blocks = [csr_array(np.concatenate([options.cost_usd, opening])[None, :])]
    limit = [np.array([limits.budget_usd])]
    has_hours = math.isfinite(limits.crew_hours)
    if has_hours:
        hours = np.concatenate([options.crew_hours, np.zeros(len(areas))])
        blocks.append(csr_array(hours[None, :]))
        limit.append(np.array([limits.crew_hours]))
    for block, most in (*_one_a_meter(options, width), *_lots(options, areas, limits.lots)):
        blocks.append(block)
        limit.append(np.full(block.shape[0], most))
    return Model(
        option_count=options.size,
        cost_usd=np.concatenate([-options.value_usd, opening]),
        matrix=vstack(blocks, format="csr"),
        limit=np.concatenate(limit),
        has_hours=has_hours,
    )


def _sparse(value: Array, row: Rows, column: Rows, shape: tuple[int, int]) -> csr_array:
    return coo_array((value, (row, column)), shape=shape).tocsr()


def _one_a_meter(options: Options, width: int) -> list[tuple[csr_array, float]]:
    _, at, count = np.unique(options.meter, return_inverse=True, return_counts=True)
    column = np.flatnonzero(count[at] > 1)
    if not len(column):
        return []
    kept, row = np.unique(at[column], return_inverse=True)
    return [(_sparse(np.ones(len(column)), row, column, (len(kept), width)), 1.0)]


def _lots(options: Options, areas: Rows, lots: Lots) -> list[tuple[csr_array, float]]:
    """A change-out needs its area open; an open area needs its least number of them."""
    if not len(areas):
        return []
    count, width = options.size, options.size + len(areas)
    at, item = np.searchsorted(areas, options.area), np.arange(count)
    place = count + np.arange(len(areas))
    needs_open = _sparse(
        np.concatenate([np.ones(count), -np.ones(count)]),
        np.concatenate([item, item]),
        np.concatenate([item, count + at]),
        (count, width),
    )
    enough = _sparse(
        np.concatenate([-np.ones(count), np.full(len(areas), float(lots.min_change_count))]),
        np.concatenate([at, np.arange(len(areas))]),
        np.concatenate([item, place]),
        (len(areas), width),
    )
    rows = [(needs_open, 0.0), (enough, 0.0)]
    if lots.max_area_count is not None:
        most = np.concatenate([np.zeros(count), np.ones(len(areas))])
        rows.append((csr_array(most[None, :]), float(lots.max_area_count)))
    return rows
