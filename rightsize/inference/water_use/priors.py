"""Class priors: how customers of a class use water, before their own reads are used."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Set by hand and fitted on simulated fleets; which fleets is not recorded. Where a line names
# another origin, that holds.
ATOMS: Final = 512  # [1] sites that stand for a class: convention
Z90: Final = 1.645  # [sd] half width of a central 90 % interval of the normal law
_SITES_SEED: Final = 19950801  # any fixed number will do
_LARGE_ABOVE: Final = 0.2  # [log] fixtures so far above the middle flow are the large kind
_LEAST_SINGLE: Final = 0.1  # [1] of the volume, drawn one at a time, to be a kind of its own
_NO_SMALL_RATIO: Final = 80  # [1] large over small flow at a site without a small kind
_SHARE_WEIGHT: Final = 2.5  # [1] Dirichlet concentration: shares of a site stray widely


@dataclass(frozen=True)
class Fixture:
    """One kind of use: medians, and factors that hold 9 of 10 sites."""

    name: str
    flow_gpm: float
    flow_factor: float
    duration_min: float
    duration_factor: float
    one_at_a_time: float  # odds that such uses do not overlap
    source: str


@dataclass(frozen=True)
class SteadyPrior:
    """Continuous flow: share of accounts that have it, and its size."""

    share: float
    flow_gpm: float
    factor: float

    @property
    def log_sd(self) -> float:
        """Standard deviation of log size."""
        return float(np.log(self.factor) / Z90)


@dataclass(frozen=True)
class ClassPrior:
    """Fixtures of a class with their share of volume, and steady flow.

    `present` is the odds that a site has each fixture at all, `crowding` the factor on demand
    inside an hour that 9 of 10 sites stay below.
    """

    customer_class: str
    shares: tuple[tuple[Fixture, float], ...]
    present: tuple[float, ...]
    crowding: float
    steady: SteadyPrior
    blend: tuple[ClassPrior, ...] = ()  # instead of shares: equal parts of these classes


@dataclass(frozen=True, eq=False)  # told apart by identity, so that caches may hold them
class Atoms:
    """Equally likely sites of a class, each reduced to a small and a large kind of use.

    Shapes [N]. `large_share` is the share of drawn volume that the large kind carries,
    `is_single` whether its uses run one at a time.
    """

    small_gpm: Array
    small_min: Array
    large_gpm: Array
    large_min: Array
    large_share: Array
    is_single: NDArray[np.bool_]


@dataclass(frozen=True)
class ServicePrior:
    """Pressure and line of a service of which nothing is recorded; factors hold 9 of 10."""

    available_psi: float
    available_factor: float
    residual_psi: float
    line_length_ft: float
    line_length_factor: float
    least_line_in: float
    smoothness: float


@dataclass(frozen=True)
class Priors:
    """Priors by class name; `unknown` applies to classes without their own."""

    by_class: Mapping[str, ClassPrior] = field(hash=False)
    service: ServicePrior

    def of(self, customer_class: str) -> ClassPrior:
        """The prior of a class."""
        return self.by_class.get(customer_class, self.by_class["unknown"])


@lru_cache(maxsize=128)
def atoms_of(prior: ClassPrior, count: int = ATOMS) -> Atoms:
    """Sites drawn from a class prior, the same on every call.

    Parameters
    ----------
    prior : ClassPrior
        Fixtures and shares of the class.
    count : int
        Number of sites.

    Returns
    -------
    Atoms
        Shares are Dirichlet about the class's, flows and durations lognormal about the
        fixture's medians. Fixtures above the geometric middle of the volume-weighted log
        flows make up the large kind.
    """
    if prior.blend:
        return _together([atoms_of(p, -(-count // len(prior.blend))) for p in prior.blend])
    rng = np.random.default_rng(_SITES_SEED)
    fixtures = [f for f, _ in prior.shares]
    weights = np.array([w for _, w in prior.shares])
    part = rng.gamma(_SHARE_WEIGHT * weights / weights.sum(), size=(count, len(weights)))
    has = rng.random((count, len(weights))) < np.array(prior.present)
    has |= ~has.any(axis=1, keepdims=True)
    share = np.maximum(part, 1e-9) * has
    share /= share.sum(axis=1, keepdims=True)
    flow_gpm = _lognormal(
        rng, [f.flow_gpm for f in fixtures], [f.flow_factor for f in fixtures], count
    )
    duration_min = _lognormal(
        rng, [f.duration_min for f in fixtures], [f.duration_factor for f in fixtures], count
    )
    alone = np.array([f.one_at_a_time for f in fixtures])
    return _two_kinds(share, flow_gpm, duration_min, alone, rng.random(count))


def _together(parts: list[Atoms]) -> Atoms:
    return Atoms(**{n: np.concatenate([getattr(p, n) for p in parts]) for n in vars(parts[0])})


def _lognormal(
    rng: np.random.Generator, median: list[float], factor: list[float], count: int
) -> Array:
    z = rng.standard_normal((count, len(median)))
    return np.asarray(np.array(median) * np.exp(z * np.log(factor) / Z90))


def _two_kinds(
    share: Array, flow_gpm: Array, duration_min: Array, alone: Array, uniform: Array
) -> Atoms:
    middle = (share * np.log(flow_gpm)).sum(axis=1, keepdims=True)
    is_large = np.log(flow_gpm) > middle + _LARGE_ABOVE
    alone_too = uniform[:, None] < alone  # one number settles it for all fixtures of a site
    part = (share * alone_too).sum(axis=1, keepdims=True)
    mean_alone = (share * alone_too * np.log(flow_gpm)).sum(axis=1, keepdims=True)
    is_single = (part > _LEAST_SINGLE) & (mean_alone > part * middle - 1e-9)
    is_large = np.where(is_single, alone_too, is_large | ~is_large.any(axis=1, keepdims=True))
    small_gpm, small_min, _ = _kind(share * ~is_large, flow_gpm, duration_min)
    large_gpm, large_min, large_share = _kind(share * is_large, flow_gpm, duration_min)
    empty = large_share > 1 - 1e-6
    small_gpm = np.where(empty, large_gpm / _NO_SMALL_RATIO, small_gpm)
    return Atoms(small_gpm, small_min, large_gpm, large_min, large_share, is_single[:, 0])


def _kind(share: Array, flow_gpm: Array, duration_min: Array) -> tuple[Array, Array, Array]:
    """Volume-weighted intensity and duration of some fixtures, and their share of volume."""
    total = share.sum(axis=1)
    safe = np.maximum(total, 1e-9)
    fallback = flow_gpm.min(axis=1)
    gpm = np.where(total > 1e-9, (share * flow_gpm).sum(axis=1) / safe, fallback)
    power = (share * flow_gpm).sum(axis=1)
    minutes = (share * flow_gpm * duration_min).sum(axis=1) / np.maximum(power, 1e-9)
    return gpm, np.where(total > 1e-9, minutes, 1.0), total
