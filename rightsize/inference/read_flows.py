"""From the reads of a block to its flows: steady flow, patterns of use, and their spread."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from rightsize.contracts.profiles import ProfileBlock
from rightsize.demand.bands import BAND_COUNT, band_of
from rightsize.inference.logs.from_logs import Logs, Spreading
from rightsize.inference.meter import censoring
from rightsize.inference.meter.censoring import LearntPrior
from rightsize.inference.meter.held_meters import HeldMeters
from rightsize.inference.reads import nights
from rightsize.inference.reads.by_hours import is_coarse, read_by_hours
from rightsize.inference.reads.interval_means import reads_of
from rightsize.inference.reads.signs import pulse_variance, rounding_of, signs_of
from rightsize.inference.spread import Flow, Reads, spread
from rightsize.inference.uniforms import Uniforms
from rightsize.inference.water_use.kept_kernels import kernel_at
from rightsize.inference.water_use.kernel_choice import kernel_of, unit_scale
from rightsize.inference.water_use.patterns import Patterns, patterns_of
from rightsize.inference.water_use.priors import Priors, atoms_of
from rightsize.inference.water_use.use_edges import UseEdges

Array = NDArray[np.floating[Any]]
R = TypeVar("R", Reads, Flow, Patterns)


@dataclass(frozen=True)
class ReadFlows:
    """Joint samples of what flowed at A accounts, [J, A] where not said otherwise."""

    reads: Reads
    flow: Flow
    how: Patterns
    unit_gpm: Array
    steady_gpm: Array


def read_flows(
    block: ProfileBlock,
    held: HeldMeters,
    priors: Priors,
    learnt: LearntPrior | None,
    rounding: Array,
    u: Uniforms,
    logs: Logs,
) -> ReadFlows:
    """Flows that explain the reads of A accounts; `rounding` is `rounding_of(block)`."""
    steady = logs.steady(_steady(block, held, priors, learnt, rounding, u), block, held)
    how = _patterns(block, priors, steady, rounding, u)
    kinds, which = kernel_of(how)
    unit = how.unit_gpm * unit_scale(how, kinds, which)
    used, which = np.unique(which, return_inverse=True)
    resting = held.table.registered_gpm(steady.astype(np.float32), held.row)
    reads = reads_of(block, np.median(resting, axis=0))
    how_spread = Spreading(
        band=np.clip(band_of(unit.astype(np.float64)), 0, BAND_COUNT - 1),
        kernels=tuple(kernel_at(kinds[k]) for k in used),
        kernel=which.reshape(unit.shape),
        steady_gpm=steady.astype(np.float32),
        edges=UseEdges(how.edge_gpm, how.edge_part, how.edge_filled),
        table=held.table,
        installed=held.row,
    )
    flow = logs.flow(spread(reads, **vars(how_spread)), reads, how_spread, block, held)
    return ReadFlows(reads, flow, how, unit, steady)


def by_hours_where_coarse(
    short: ReadFlows,
    block: ProfileBlock,
    held: HeldMeters,
    priors: Priors,
    learnt: LearntPrior | None,
    rounding: Array,
    u: Uniforms,
    logs: Logs,
) -> ReadFlows:
    """`short`, with hours read in place of short intervals that are mostly rounding.

    Volumes follow from it. Peaks do not: a short read bounds them also in coarse steps.
    """
    coarse = np.flatnonzero(is_coarse(block, rounding))
    if not coarse.size:
        return short
    hours = rows_of(read_by_hours(block, rounding), coarse)
    found = read_flows(
        hours, held.of(coarse), priors, learnt, rounding_of(hours), u.of(coarse),
        logs.by_hours(),
    )  # fmt: skip
    return ReadFlows(
        _put(short.reads, found.reads, coarse, axis=0),
        _put(short.flow, found.flow, coarse, axis=1),
        _put(short.how, found.how, coarse, axis=1),
        _placed(short.unit_gpm, found.unit_gpm, coarse, axis=1),
        _placed(short.steady_gpm, found.steady_gpm, coarse, axis=1),
    )


def _put(whole: R, part: R, rows: NDArray[np.int64], *, axis: int) -> R:
    """`whole` with the accounts `rows` of `part` in their place."""
    columns: dict[str, Any] = {
        name: _placed(value, getattr(part, name), rows, axis=axis)
        for name, value in vars(whole).items()
    }
    return replace(whole, **columns)


def _placed(whole: Array, part: Array, rows: NDArray[np.int64], *, axis: int) -> Array:
    out = np.array(whole)
    if axis == 0:
        out[rows] = part
    else:
        out[:, rows] = part
    return out


def rows_of(block: ProfileBlock, rows: slice | NDArray[np.int64]) -> ProfileBlock:
    """Some of the accounts of a block."""
    index = np.arange(block.size)[rows]

    def cut(value: Any) -> Any:
        return tuple(value[i] for i in index) if isinstance(value, tuple) else value[index]

    return replace(block, **{name: cut(value) for name, value in vars(block).items()})


def _patterns(
    block: ProfileBlock, priors: Priors, steady: Array, rounding: Array, u: Uniforms
) -> Patterns:
    """Patterns of each class's accounts, in the order of the block."""
    classes = np.array(block.customer_class)
    signs = signs_of(block, np.median(steady, axis=0), rounding)
    parts: list[tuple[NDArray[np.int64], Patterns]] = []
    for name in np.unique(classes):
        mine = np.flatnonzero(classes == name)
        atoms = atoms_of(priors.of(str(name)))
        parts.append((mine, patterns_of(atoms, signs.of(mine), u.of(mine))))
    order = np.argsort(np.concatenate([mine for mine, _ in parts]))
    return Patterns(
        **{
            name: np.concatenate([getattr(d, name) for _, d in parts], axis=1)[:, order]
            for name in vars(parts[0][1])
        }
    )


def _steady(
    block: ProfileBlock,
    held: HeldMeters,
    priors: Priors,
    learnt: LearntPrior | None,
    rounding: Array,
    u: Uniforms,
) -> Array:
    """Continuous flow [J, A]: registered at night, or possible below the starting flow."""
    law = censoring.steady_law(priors, learnt, block.customer_class, nights.use_gpm(block))
    start = held.sampled_start_gpm
    shown = start * held.ratio_at(np.zeros(block.size))
    least = np.median(shown, axis=0)
    seen = nights.steady_seen(block, pulse_variance(block, rounding), law, least, u.steady_seen)
    odds = censoring.unseen_odds(law.share, law.centre_log, law.log_sd, start)
    size = censoring.unseen_size(u.steady_unseen_rank, law.centre_log, law.log_sd, start)
    unseen = np.where(u.steady_unseen < odds, size, 0.0)
    return np.asarray(np.where(seen > 0, held.actual_gpm(seen), unseen))
