"""A correction of promises learned from what came, by type, size and class, shrunk.

A factor multiplies the promised gain. Each group's own factor (realized on promised, through
zero) is drawn towards the group above it as far as its cases leave it uncertain: class towards
size, size towards type, type towards all meters, and all meters towards 1, no correction. A
group's cases count in the level above it too, so the errors of small groups are somewhat small.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from rightsize.contracts.change_outs.gain_correction import Group, finest
from rightsize.errors import ContractError
from rightsize.verify.calibration import Promises, between_cases
from rightsize.verify.panel import Array

LEAST_CASES: Final = 20  # with fewer nothing is corrected (ours)
LEVEL_SPREAD: Final = (0.3, 0.2, 0.15, 0.1)
"""Spread of true factors about the level above: all meters about 1, types, sizes, classes
(ours, not measured: finer groups of meters are thought to differ less from each other)."""

LOWEST_FACTOR: Final = 0.0  # a correction takes a promise away, never turns it round
HIGHEST_FACTOR: Final = 1.5  # nor lets a lucky group promise half as much again (ours)


@dataclass(frozen=True)
class Factor:
    """Factor of a group with its standard error, and the cases it was learned from."""

    factor: float
    error: float
    case_count: int


NO_CORRECTION: Final = Factor(1.0, 0.0, 0)


def corrections(promises: Promises, groups: Sequence[Group]) -> Mapping[Group, Factor]:
    """Factor of every group that holds a case, and of every group above it.

    Parameters
    ----------
    promises : Promises
    groups : [C] of (type, size, class)
        Of the meter that was promised.

    Returns
    -------
    mapping
        Keys are (), (type,), (type, size) and (type, size, class). Empty with fewer than
        `LEAST_CASES` cases.

    Raises
    ------
    ContractError
        If groups and promises differ in number.
    """
    promises.check()
    if len(groups) != len(promises.promised_share):
        raise ContractError(
            f"corrections: {len(groups)} groups for {len(promises.promised_share)} promises"
        )
    if len(groups) < LEAST_CASES:
        return {}
    missed = promises.realised_share - promises.promised_share
    between = between_cases(missed, promises.realised_error)
    weight = 1 / (promises.realised_error**2 + between**2)
    found: dict[Group, Factor] = {}
    for depth, spread in enumerate(LEVEL_SPREAD):
        for key in sorted({g[:depth] for g in groups}, key=repr):
            above = found[key[:-1]] if depth else NO_CORRECTION
            own = np.array([g[:depth] == key for g in groups])
            found[key] = _shrunk(promises, weight, own, above, spread)
    return found


def _shrunk(
    promises: Promises, weight: Array, own: Array, above: Factor, spread: float
) -> Factor:
    """Normal prior of the level above, normal likelihood of the group's own cases."""
    promised, came = promises.promised_share[own], promises.realised_share[own]
    evidence = float((weight[own] * promised**2).sum())
    prior = 1 / spread**2
    total = evidence + prior
    factor = (float((weight[own] * promised * came).sum()) + prior * above.factor) / total
    # The level above is itself uncertain, in the share that the group takes from it.
    error = np.sqrt(1 / total + (prior / total * above.error) ** 2)
    return Factor(float(np.clip(factor, LOWEST_FACTOR, HIGHEST_FACTOR)), error, int(own.sum()))


def factor_of(found: Mapping[Group, Factor], group: Group) -> Factor:
    """Factor of the finest level that is known for a group; no correction if none is."""
    return finest(found, group) or NO_CORRECTION
