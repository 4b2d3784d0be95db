"""Random numbers of an account, each named for what it decides."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rightsize.inference import sobol

Array = NDArray[np.floating[Any]]

_COLUMNS: Final = (
    "own_meter",
    "largest_read",
    "steady_seen",
    "steady_unseen_rank",
    "peak_error",
    "pattern",
    "dispersion_error",
    "single_error",
    "crowding",
    "steady_unseen",
    "service_pressure",
    "service_line",
)


@dataclass(frozen=True)
class Uniforms:
    """Uniform numbers in (0, 1) by sample and account, one field per purpose; all [J, A]."""

    own_meter: Array  # which of the meters of its entry the installed one is
    largest_read: Array  # where below its rounded reading the largest interval lay
    steady_seen: Array  # steady flow within what the nights allow
    steady_unseen: Array  # whether steady flow runs below the meter's start
    steady_unseen_rank: Array  # and where in the law of its sizes
    pattern: Array  # which site of the class prior
    dispersion_error: Array  # error of the dispersion that the reads show
    single_error: Array  # error of the largest interval where large uses run one at a time
    peak_error: Array  # error of the peak model itself
    service_pressure: Array  # what line and meter may lose
    service_line: Array  # length of the service line
    crowding: Array  # how far demand bunches inside the busiest interval

    def of(self, accounts: NDArray[np.int64]) -> Uniforms:
        """The numbers of some of the accounts."""
        return Uniforms(**{f.name: getattr(self, f.name)[:, accounts] for f in fields(self)})


def uniforms_of(meter_id: Sequence[str], *, count: int, seed: int) -> Uniforms:
    """Numbers of A meters, determined by seed and meter alone.

    Parameters
    ----------
    meter_id : sequence of str
        A meters.
    count : int
        Samples J.
    seed : int
        Seed of the sweep.
    """
    u = sobol.uniforms(meter_id, count=count, dimensions=len(_COLUMNS), seed=seed)
    return Uniforms(**{f.name: u[..., _COLUMNS.index(f.name)] for f in fields(Uniforms)})
