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
from rightsize.inference.meter.envelope import registered_bounds
from rightsize.inference.meter.ground import (
    GROUND_ERROR_SD,
    GROUND_SPAN,
    OLD_SPAN,
    ground_rows,
    is_old,
    moved_meter,
)
from rightsize.inference.meter.registered_table import TABLE_FLOW_GPM, RegisteredTable
from rightsize.inference.spread import Flow
from rightsize.inference.water_use.priors import Z90
from rightsize.meters.catalogue import Meter
from rightsize.meters.curve import moved_along_flow, ratio_between
from rightsize.meters.uncertainty.installed_curves import PlacedCurves
from rightsize.meters.uncertainty.knots import HIGHEST_RATIO, KNOT_COUNT, knot_weights

Array = NDArray[np.floating[Any]]
_SEED_STEP: Final = 104729  # another stream than that of the flow's own samples
_INVERSION_ROUNDS: Final = 12  # [1] convention
_JUST_ABOVE: Final = 1 + 1e-5  # [1] so that single precision holds a flow for started
_TEST_FLOWS: Final = ("min_test_gpm", "continuous_gpm")
_LEAST_RATIO: Final = 0.05  # [1] a turning meter registers more: keeps the inversion finite


@dataclass(frozen=True)
class HeldMeters:
    """The meters of A accounts: their curve (`meters`), and its samples in `row` of `table`.

    `curve_sd` is what a curve that tests or wear tell may be out by, relative; 0 where the
    catalog's curve stays.
    """

    meters: tuple[Meter, ...]
    table: RegisteredTable
    row: NDArray[np.int64]  # [J, A]
    meter_index: NDArray[np.int64]  # [A] row in the catalog
    is_own: NDArray[np.bool_]  # [A] the curve is not the catalog's
    curve_sd: Array  # [A]
    is_old: NDArray[np.bool_]  # [A] the meter's age is known, and tells of wear

    def of(self, accounts: NDArray[np.int64]) -> HeldMeters:
        """The meters of some of the accounts."""
        return HeldMeters(
            tuple(self.meters[k] for k in accounts.tolist()),
            self.table,
            self.row[:, accounts],
            self.meter_index[accounts],
            self.is_own[accounts],
            self.curve_sd[accounts],
            self.is_old[accounts],
        )

    @cached_property
    def starting_gpm(self) -> Array:
        """Starting flow of each account's meter by its likeliest curve [A]."""
        return np.array([m.starting_gpm for m in self.meters])

    @cached_property
    def normal_min_gpm(self) -> Array:
        """Normal minimum of each account's meter [A]."""
        return np.array([m.normal_min_gpm for m in self.meters])

    @cached_property
    def sampled_start_gpm(self) -> Array:
        """Starting flow of each sample [J, A]."""
        start = np.take_along_axis(self.table.start_gpm, self.row, axis=1)
        return np.asarray(start, dtype=np.float64)

    @property
    def test_ratio(self) -> Array:
        """Registration at minimum, intermediate and maximum test flow [J, A, 3].

        The minimum and the continuous rating of each meter, and their geometric mean (our
        convention: an authority's table of flows differs little from it).
        """
        low, high = (np.array([getattr(m, n) for m in self.meters]) for n in _TEST_FLOWS)
        flows = np.stack([low, np.sqrt(low * high), high], axis=-1).astype(np.float32)
        whole = np.broadcast_to(flows, (*self.row.shape, len(flows.T)))
        return np.asarray(self.table.registered_gpm(whole, self.row[..., None]) / whole)

    def registered_gpm(self, flow: Flow, steady_gpm: Array) -> Array:
        """Mean flow that each account's meter registers [J, A]."""
        sample = np.arange(len(self.row))[:, None]
        curve = self.table.by_band.transpose(0, 2, 1)[sample, self.row]  # [J, A, B]
        resting = self.table.registered_gpm(steady_gpm.astype(np.float32), self.row)
        drawn = np.einsum("jab,jab->ja", flow.time_share, curve)
        return np.asarray(drawn + flow.idle_share * resting)

    def ratio_at(self, flow_gpm: Array) -> Array:
        """Registration of each account's meter at a flow [A] that moves it [J, A]."""
        whole = np.maximum(flow_gpm, self.sampled_start_gpm * _JUST_ABOVE).astype(np.float32)
        return np.asarray(self.table.registered_gpm(whole, self.row) / whole)

    def actual_gpm(self, registered_gpm: Array) -> Array:
        """Steady flow at which each account's meter registers a given flow [gpm, J x A].

        Not below the starting flow: a meter that registers has started.
        """
        start = self.sampled_start_gpm * _JUST_ABOVE
        flow = np.maximum(registered_gpm, start)
        for _ in range(_INVERSION_ROUNDS):
            shown = self.table.registered_gpm(flow.astype(np.float32), self.row)
            ratio = np.maximum(shown / np.maximum(flow, 1e-9), _LEAST_RATIO)
            flow = np.maximum(np.sqrt(flow * registered_gpm / ratio), start)
        return np.asarray(flow)

    def bounds(
        self, block: ProfileBlock, catalogue: tuple[Meter, ...], observed: Array
    ) -> tuple[Array, Array]:
        """Bounds [A, M] of what every meter would register, whatever flowed.

        They hold for one curve. A meter of which only its age is known may start earlier or
        later than the catalog's: the least is taken from the one, the most from the other, and
        both are widened by what a curve may be out by.
        """
        early, late = (
            tuple(
                m if own else moved_meter(m, span[1] if old else span[0])
                for m, own, old in zip(
                    self.meters, self.is_own.tolist(), self.is_old.tolist(), strict=True
                )
            )
            for span in zip(GROUND_SPAN, OLD_SPAN, strict=True)
        )
        gal_per_year = observed.astype(np.float64)
        low, _ = registered_bounds(block, catalogue, gal_per_year, early)
        _, high = registered_bounds(block, catalogue, gal_per_year, late)
        factor = 1 + Z90 * np.where(self.is_own, self.curve_sd, GROUND_ERROR_SD)[:, None]
        return low / factor, high * factor


def held_meters(
    block: ProfileBlock,
    catalogue: tuple[Meter, ...],
    table: RegisteredTable,
    told: PlacedCurves | None,
    own_rank: Array,
    age_years: Array,
    *,
    seed: int,
) -> HeldMeters:
    """The installed meters of a block.

    Parameters
    ----------
    block : ProfileBlock
        A accounts; `meter_index` points into the catalog.
    catalogue : sequence of meters
        The catalog.
    table : RegisteredTable
        Samples of the curves of meters in the ground (`ground_table`).
    told : PlacedCurves or None
        Which accounts have a curve of their own, and which.
    own_rank : array [J, A]
        Which of the meters of its entry and age each is, as uniform numbers.
    age_years : array [A]
        NaN where not known, or where the curve is told.
    seed : int
        An account's samples follow from it and the meter's id alone.
    """
    index = block.meter_index
    first, states = ground_rows(index, age_years)
    row = first + np.minimum(own_rank * states, states - 1).astype(np.int64)
    if told is None or not (told.index >= 0).any():
        meters = tuple(catalogue[k] for k in index.tolist())
        none = np.zeros(block.size)
        return HeldMeters(meters, table, row, index, none > 0, none, is_old(age_years))
    own = _own_table(told, table, row, block.meter_id, seed)
    variance = np.concatenate([_variance(told.curves.covariance), [0.0]])
    return HeldMeters(
        told.meters(catalogue, index),
        own,
        np.broadcast_to(np.arange(block.size), row.shape),
        index,
        told.index >= 0,
        np.sqrt(variance[told.index]),  # -1 takes the 0 at the end
        is_old(age_years),
    )


def _own_table(
    told: PlacedCurves,
    table: RegisteredTable,
    row: NDArray[np.int64],
    meter_id: Sequence[str],
    seed: int,
) -> RegisteredTable:
    """Samples of the registration of each account's meter, one row an account."""
    sample = np.arange(len(row))[:, None]
    ratio, start_gpm = table.ratio[sample, row], table.start_gpm[sample, row]
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
        # tests and stated wear do not tell the start: it moves as that of any meter does
        moved = start_gpm[:, mine] / table.known_start_gpm[row[0, mine]]
        ratio[:, mine] = moved_along_flow(
            np.clip(bent, 0, HIGHEST_RATIO), np.log(TABLE_FLOW_GPM), np.log(moved)
        )
        start_gpm[:, mine] = meter.starting_gpm * moved
    return RegisteredTable(ratio, start_gpm, table.known[row[0]], table.known_start_gpm[row[0]])


def _root(covariance: Array) -> Array:
    """A matrix whose product with its transpose is `covariance`, which may be singular."""
    value, vector = np.linalg.eigh(covariance)
    return np.asarray(vector * np.sqrt(np.maximum(value, 0)))


def _variance(covariance: Array) -> Array:
    """The largest variance at a knot of each curve [K]."""
    return np.asarray(np.diagonal(covariance, axis1=1, axis2=2).max(axis=1))
