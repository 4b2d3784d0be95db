"""Class priors from a utility's own sites, logged every minute or finer.

A log shows single uses: a rise in flow is the start of a use, a fall its end. Simultaneous
uses are separated only roughly, so the result is a prior: two kinds of use, small and large,
with the spread between sites.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rightsize.errors import ContractError
from rightsize.inference.meter.censoring import SMALLEST_STEADY_GPM
from rightsize.inference.water_use.priors import Z90, ClassPrior, Fixture, SteadyPrior

Array = NDArray[np.float64]

# Our conventions: not tested on fleets.
LEAST_SITES: Final = 3  # [sites]
USUAL_CROWDING: Final = 1.2  # [1] that of most class priors
_LEAST_FACTOR: Final = 1.3  # [1] sites of one class never agree better than this
_NOISE_SHARE: Final = 0.1  # [1] a change below this share of the flow is no use
_NOISE_GPM: Final = 1e-3  # the same where nothing is steady
_STEADY_PERCENTILE: Final = 1  # [%] of a log's flows
_LEAST_SHARE: Final = 0.05  # [1] of the volume, that a kind carries
_ROUNDS: Final = 20  # [1] of the two means
_ONE_AT_A_TIME: Final = 0.1  # [1] odds: a log of total flow hardly shows it
_STEADY_FALLBACK: Final = (0.5, 6.0)  # [gpm, 1] size and factor if no two sites show any
_LEAST_STEADY_FACTOR: Final = 2.0  # [1] steady flows of sites never agree better


@dataclass(frozen=True)
class UseEvents:
    """Uses of one site, one entry per use."""

    flow_gpm: Array
    duration_min: Array
    steady_gpm: float

    @property
    def volume_gal(self) -> Array:
        """Volume of each use [gal]."""
        return self.flow_gpm * self.duration_min


def uses_of_log(flow_gpm: Array, *, step_min: float) -> UseEvents:
    """Uses of one log.

    Parameters
    ----------
    flow_gpm : array [n]
        Mean flow of each step, in order, without gaps [gpm].
    step_min : float
        Length of a step [min], at most 1.

    Returns
    -------
    UseEvents
        One for each run of flow above the steady flow that is not interrupted: its mean
        flow, weighed by volume, and its length. Steady flow is the first percentile.

    Raises
    ------
    ContractError
        If the steps are longer than a minute or the log is empty.
    """
    if step_min > 1.0 or flow_gpm.size == 0:
        raise ContractError(
            f"a log needs steps of at most 1 min and at least one read; got {flow_gpm.size:,} "
            f"reads of {step_min:g} min"
        )
    steady = float(np.percentile(flow_gpm, _STEADY_PERCENTILE))
    above = np.maximum(flow_gpm - steady, 0.0)
    runs = above > max(_NOISE_SHARE * steady, _NOISE_GPM)
    edge = np.flatnonzero(np.diff(np.concatenate([[0], runs.astype(np.int8), [0]])))
    start, stop = edge[::2], edge[1::2]
    total = np.concatenate([[0.0], np.cumsum(above)])
    square = np.concatenate([[0.0], np.cumsum(above**2)])
    volume = total[stop] - total[start]
    flow = (square[stop] - square[start]) / np.maximum(volume, 1e-12)
    return UseEvents(flow, volume * step_min / np.maximum(flow, 1e-12), steady)


def prior_from_logs(
    customer_class: str, sites: list[UseEvents], *, crowding: float = USUAL_CROWDING
) -> ClassPrior:
    """Class prior with two kinds of use, split between the two means of their log flow.

    Parameters
    ----------
    customer_class : str
        Class of the sites.
    sites : list of UseEvents
        At least three logged sites of the class.
    crowding : float
        Taken over as it is: a log of two weeks says little of it.

    Raises
    ------
    ContractError
        If there are too few sites.
    """
    if len(sites) < LEAST_SITES:
        raise ContractError(
            f"class {customer_class}: a prior needs {LEAST_SITES} logged sites, "
            f"got {len(sites)}"
        )
    edge = _edge_gpm(sites)
    small = [_kind(s, s.flow_gpm <= edge) for s in sites]
    large = [_kind(s, s.flow_gpm > edge) for s in sites]
    share = float(np.mean([part[2] for part in large]))
    fixtures = [
        (_fixture("small_draws", small), max(1 - share, _LEAST_SHARE)),
        (_fixture("large_draws", large), max(share, _LEAST_SHARE)),
    ]
    steady = np.array([s.steady_gpm for s in sites])
    return ClassPrior(customer_class, tuple(fixtures), (1.0, 1.0), crowding, _steady(steady))


def _edge_gpm(sites: list[UseEvents]) -> float:
    """Flow that separates small from large uses: two means of log flow, weighted by volume."""
    flow = np.log(np.concatenate([s.flow_gpm for s in sites]))
    volume = np.concatenate([s.volume_gal / max(s.volume_gal.sum(), 1e-9) for s in sites])
    edge = float(np.average(flow, weights=volume))
    for _ in range(_ROUNDS):
        low, high = flow <= edge, flow > edge
        if not (low.any() and high.any()):
            break
        means = [np.average(flow[part], weights=volume[part]) for part in (low, high)]
        edge = float(np.mean(means))
    return float(np.exp(edge))


def _kind(site: UseEvents, mine: NDArray[np.bool_]) -> tuple[float, float, float]:
    """Volume-weighted mean flow and duration of some uses, and their share of the volume."""
    weight = site.volume_gal[mine]
    total = float(weight.sum())
    if total <= 0:
        return np.nan, np.nan, 0.0
    flow = float((weight * site.flow_gpm[mine]).sum() / total)
    minutes = float((weight * site.duration_min[mine]).sum() / total)
    return flow, minutes, total / max(float(site.volume_gal.sum()), 1e-9)


def _fixture(name: str, parts: list[tuple[float, float, float]]) -> Fixture:
    known = np.array([p[:2] for p in parts if p[2] > 0])
    middle = np.exp(np.log(known).mean(axis=0))
    spread = np.log(known).std(axis=0, ddof=1) if len(known) > 1 else np.zeros(2)
    factor = np.maximum(np.exp(Z90 * spread), _LEAST_FACTOR)
    return Fixture(
        name,
        float(middle[0]),
        float(factor[0]),
        float(middle[1]),
        float(factor[1]),
        one_at_a_time=_ONE_AT_A_TIME,
        source=f"{len(known)} logged sites of the utility",
    )


def _steady(steady_gpm: Array) -> SteadyPrior:
    found = np.log(steady_gpm[steady_gpm > SMALLEST_STEADY_GPM])
    share = (len(found) + 1) / (len(steady_gpm) + 2)
    if len(found) < 2:
        return SteadyPrior(float(share), *_STEADY_FALLBACK)
    factor = max(float(np.exp(Z90 * found.std(ddof=1))), _LEAST_STEADY_FACTOR)
    return SteadyPrior(float(share), float(np.exp(found.mean())), factor)
