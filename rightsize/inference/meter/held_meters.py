"""The installed meters of a block, with their own curves where they have one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from rightsize.contracts.profiles import ProfileBlock
from rightsize.inference import sobol
from rightsize.inference.meter.registered_table import TABLE_FLOW_GPM, RegisteredTable
from rightsize.inference.spread import Flow
from rightsize.inference.water_use.priors import Z90
from rightsize.meters.catalogue import Meter
from rightsize.meters.curve import ratio_between
from rightsize.meters.uncertainty.installed_curves import PlacedCurves
from rightsize.meters.uncertainty.knots import HIGHEST_RATIO, KNOT_COUNT, knot_weights

Array = NDArray[np.floating[Any]]
_SEED_STEP: Final = 104729  # another stream than that of the flow's own samples
_INVERSION_ROUNDS: Final = 12  # [1] convention
_LEAST_RATIO: Final = 0.05  # [1] a turning meter registers more: keeps the inversion finite


@dataclass(frozen=True)
class HeldMeters:
    """The meters of A accounts: their curve (`meters`), and its samples in `row` of `table`.

    `curve_sd` is what a curve that tests or wear tell may be out by, relative; 0 where the
    catalog's curve stays.
    """

    meters: tuple[Meter, ...]
    table: RegisteredTable
    row: NDArray[np.int64]  # [A]
    meter_index: NDArray[np.int64]  # [A] row in the catalog
    is_own: NDArray[np.bool_]  # [A] the curve is not the catalog's
    curve_sd: Array  # [A]

    @cached_property
    def starting_gpm(self) -> Array:
        """Starting flow of each account's meter [A]."""
        return np.array([m.starting_gpm for m in self.meters])

    @cached_property
    def normal_min_gpm(self) -> Array:
        """Normal minimum of each account's meter [A]."""
        return np.array([m.normal_min_gpm for m in self.meters])

    def registered_gpm(self, by_catalogue: Array, flow: Flow, steady_gpm: Array) -> Array:
        """Mean flow that each account's meter registers [J, A].

        `by_catalogue` [J, A, M] is what the catalog's meters register of the same flow.
        """
        index = self.meter_index[None, :, None]
        mean = np.take_along_axis(by_catalogue, index, axis=2)[..., 0]
        mine = np.flatnonzero(self.is_own)
        if len(mine):
            row = self.row[mine]
            curve = self.table.by_band.transpose(0, 2, 1)[:, row]  # [J, own, B]
            resting = self.table.registered_gpm(steady_gpm[:, mine].astype(np.float32), row)
            drawn = np.einsum("jab,jab->ja", flow.time_share[:, mine], curve)
            mean[:, mine] = drawn + flow.idle_share[:, mine] * resting
        return np.asarray(mean)

    def ratio_at(self, flow_gpm: Array) -> Array:
        """Registration of each account's meter at a flow [A] that moves it [J, A]."""
        flow = np.maximum(flow_gpm, self.starting_gpm)
        whole = np.broadcast_to(flow, (len(self.table.ratio), len(flow))).astype(np.float32)
        return np.asarray(self.table.registered_gpm(whole, self.row) / whole)

    def actual_gpm(self, registered_gpm: Array) -> Array:
        """Steady flow at which each account's meter registers a given flow [gpm, J x A].

        Not below the starting flow: a meter that registers has started.
        """
        start = self.starting_gpm
        flow = np.maximum(registered_gpm, start)
        for _ in range(_INVERSION_ROUNDS):
            shown = self.table.registered_gpm(flow.astype(np.float32), self.row)
            ratio = np.maximum(shown / np.maximum(flow, 1e-9), _LEAST_RATIO)
            flow = np.maximum(np.sqrt(flow * registered_gpm / ratio), start)
        return np.asarray(flow)

    def widened(self, bounds: tuple[Array, Array]) -> tuple[Array, Array]:
        """Bounds [A, M] for one curve, widened by the uncertainty of the curve."""
        factor = 1 + Z90 * self.curve_sd[:, None]
        return bounds[0] / factor, bounds[1] * factor


def held_meters(
    block: ProfileBlock,
    catalogue: tuple[Meter, ...],
    table: RegisteredTable,
    told: PlacedCurves | None,
    *,
    seed: int,
) -> HeldMeters:
    """The installed meters of a block.

    Parameters
    ----------
    block : ProfileBlock
        A accounts; `meter_index` points into the catalog.
    catalogue, table : meters, RegisteredTable
        The catalog and the samples of its curves.
    told : PlacedCurves or None
        Which accounts have a curve of their own, and which.
    seed : int
        An account's samples follow from it and the meter's id alone.
    """
    index = block.meter_index
    if told is None or not (told.index >= 0).any():
        meters = tuple(catalogue[k] for k in index.tolist())
        none = np.zeros(block.size)
        return HeldMeters(meters, table, index, index, none > 0, none)
    own = _own_table(told, table, block.meter_id, index, seed)
    variance = np.concatenate([_variance(told.curves.covariance), [0.0]])
    return HeldMeters(
        told.meters(catalogue, index),
        own,
        np.arange(block.size),
        index,
        told.index >= 0,
        np.sqrt(variance[told.index]),  # -1 takes the 0 at the end
    )


def _own_table(
    told: PlacedCurves,
    table: RegisteredTable,
    meter_id: Sequence[str],
    meter_index: NDArray[np.int64],
    seed: int,
) -> RegisteredTable:
    """Samples of the registration of each account's meter, one row per account."""
    ratio = np.ascontiguousarray(table.ratio[:, meter_index])
    start_gpm = table.start_gpm[meter_index].copy()
    for k in np.unique(told.index[told.index >= 0]).tolist():
        mine = np.flatnonzero(told.index == k).tolist()
        meter = told.curves.meters[k]
        uniform = sobol.uniforms(
            [meter_id[i] for i in mine],
            count=len(ratio),
            dimensions=KNOT_COUNT,
            seed=seed + _SEED_STEP,
        )
        error = ndtri(uniform) @ _root(told.curves.covariance[k]).T
        centre = ratio_between(TABLE_FLOW_GPM, meter.registration)
        bent = centre * (1 + error @ knot_weights(TABLE_FLOW_GPM, meter))
        ratio[:, mine] = np.clip(bent, 0, HIGHEST_RATIO)
        start_gpm[mine] = meter.starting_gpm
    return RegisteredTable(ratio, start_gpm, table.known[meter_index])


def _root(covariance: Array) -> Array:
    """A matrix whose product with its transpose is `covariance`, which may be singular."""
    value, vector = np.linalg.eigh(covariance)
    return np.asarray(vector * np.sqrt(np.maximum(value, 0)))


def _variance(covariance: Array) -> Array:
    """The largest variance at a knot of each curve [K]."""
    return np.asarray(np.diagonal(covariance, axis1=1, axis2=2).max(axis=1))
